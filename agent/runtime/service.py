"""The service: the worker, the outlets' threads and the timetable, started and stopped in order."""

from __future__ import annotations

import gc
import logging
import os
import threading
import time
from typing import TYPE_CHECKING

from agent.contract.topics import Topics
from agent.journal.errors import JournalError, JournalNotice
from agent.runtime import diary, last_words, service_manager
from agent.runtime.bell import Bell
from agent.runtime.clock import SystemClock
from agent.runtime.guarding import WorkerFailed
from agent.runtime.happenings import OutletFault
from agent.runtime.showing import Showing
from agent.runtime.timetable import Timetable
from agent.runtime.wiring import (
    agent_of,
    broker_of,
    influx_of,
    journal_of,
    people_of,
    sparkplug_of,
)
from agent.settings.secrets import SecretUnreadable
from agent.settings.site import Site

if TYPE_CHECKING:
    from collections.abc import Callable

log = logging.getLogger(__name__)

LATE_S = 10.0
"""A worker that has not finished a turn for so long is late: the watchdog is no longer fed."""
STUCK_S = 25.0
"""One that has not for so long is stuck: the process ends, and the service manager starts another."""
LOOK_S = 1.0
TIMETABLE_S = 5.0
"""The timetable is looked at this often, and at once when the bell rings."""
STOPS_WITHIN_S = 4.0


class Service:
    """Everything that `shotgram run` runs. `serve` returns the exit status."""

    def __init__(self, site: Site) -> None:
        """Open the journal and wire the parts.

        Raises JournalError where the journal cannot be opened, SecretUnreadable where a secret cannot be.
        """
        self.site = site
        clock = SystemClock()
        self.journal = journal_of(site, clock)
        try:
            self._showing = Showing(site)
            self.agent = agent_of(site, self.journal, clock, diary.write, pipeline=self._showing.pipeline)
            self._outlets: dict[str, Callable[[threading.Event], None]] = {}
            if site.influx is not None:
                self._outlets["influx"] = influx_of(site.influx, self.journal, self._heard("influx"))
            if site.notify is not None:
                self._outlets["people"] = people_of(
                    site.notify, site.plan.timezone, self.journal, self._heard("people")
                )
            if site.sparkplug is not None:
                self._outlets["sparkplug"] = sparkplug_of(
                    site.sparkplug, site, self.journal, self._heard("sparkplug")
                )
            if (standby := self.agent.standby) is not None:
                for name, outlet in self._outlets.items():
                    self._outlets[name] = standby.in_turn(name, outlet)
            self._timetable = Timetable(site.plan, time.monotonic())
            self._rung = threading.Event()
            self._bell = Bell(site.plan, self._rung.set)
            # People and SCADA are told of what happens from now on; databases and listeners get the history
            # too.
            from_now_on = ("people", "sparkplug")
            self.journal.declare_outlets(
                {name: "new" if name in from_now_on else "all" for name in ("mqtt", *self._outlets)}
            )
        except BaseException:
            self.journal.close()
            raise
        self._failed = False

    def serve(self, stop: threading.Event) -> int:
        """Work until `stop` is set; 0 stopped as asked, 1 something failed and a fresh start is needed."""
        threads = [threading.Thread(target=self._work, args=(stop,), name="worker")]
        threads += [
            threading.Thread(target=outlet, args=(stop,), name=name, daemon=True)
            for name, outlet in self._outlets.items()
        ]
        shown = self._show(threads, stop)
        for thread in [*threads, *shown]:
            thread.start()
        self._bell.start()
        service_manager.tell("READY=1")
        try:
            self._look_after(threads, stop)
        finally:
            service_manager.tell("STOPPING=1")
            self._bell.stop()
            deadline = time.monotonic() + STOPS_WITHIN_S
            for thread in [*threads, *shown]:
                thread.join(max(0.1, deadline - time.monotonic()))
            self.journal.close()
        log.info("stopped")
        return 1 if self._failed else 0

    def _show(self, threads: list[threading.Thread], stop: threading.Event) -> list[threading.Thread]:
        # Not among the threads that are looked after: the agent goes on where nobody can look.
        def alive() -> dict[str, bool]:
            return {thread.name: thread.is_alive() for thread in threads}

        servers = self._showing.servers(self.agent, ("mqtt", *self._outlets), alive)
        return [threading.Thread(target=server.run, args=(stop,), daemon=True) for server in servers]

    def _heard(self, outlet: str) -> Callable[[JournalNotice], None]:
        return lambda fault: self.agent.link.inbox.put(OutletFault(outlet, fault))

    def _work(self, stop: threading.Event) -> None:
        try:
            self.agent.run(stop)
        except JournalError as fault:
            log.critical("the journal can no longer be trusted, ending: %s", fault)
            self._failed = True
        except WorkerFailed as fault:
            log.critical("the worker failed, ending: %s", fault)
            self._failed = True
        except Exception as fault:
            log.critical("the worker failed, ending", exc_info=True)
            last_words.leave(self.journal.folder, "worker-stuck", f"{type(fault).__name__}: {fault}")
            self._failed = True
        finally:
            stop.set()

    def _look_after(self, threads: list[threading.Thread], stop: threading.Event) -> None:
        period_s = service_manager.watchdog_period_s()
        fed_s = looked_s = float("-inf")
        if not stop.wait(LOOK_S):
            _set_aside_what_lasts()
        while not stop.wait(LOOK_S):
            now_s = time.monotonic()
            stuck_s = now_s - self.agent.last_turn_monotonic_s
            if self._rung.is_set() or now_s - looked_s >= TIMETABLE_S:
                self._rung.clear()
                looked_s = now_s
                for chore in self._timetable.due(self.agent.clock.now_s(), now_s):
                    self.agent.link.inbox.put(chore)
            dead = [thread.name for thread in threads if not thread.is_alive()]
            if dead:
                log.critical("a thread died: %s; ending", ", ".join(dead))
                self._failed = True
                stop.set()
            elif stuck_s > STUCK_S:
                self._end_stuck(stuck_s)
            elif stuck_s > LATE_S:
                log.error("the worker has not finished a turn for %.0f s", stuck_s)
            elif period_s is not None and now_s - fed_s >= period_s:
                service_manager.tell("WATCHDOG=1")
                fed_s = now_s

    def _end_stuck(self, stuck_s: float) -> None:
        # A thread that hangs cannot be ended, and nothing it holds can be trusted: no goodbye to anyone. What
        # was not acknowledged comes again.
        text = f"the worker has not finished a turn for {stuck_s:.0f} s"
        log.critical("%s, ending", text)
        last_words.leave(self.journal.folder, "worker-stuck", text)
        logging.shutdown()
        os._exit(1)


def _set_aside_what_lasts() -> None:
    # Modules, the plan and what was remembered stay for as long as the process: the collector of cycles need
    # not look at them again. A full round of it would hold up every thread, for 40 ms with a thousand scales.
    gc.collect()
    gc.freeze()


def say_why(site: Site, fault: JournalError) -> None:
    """The journal cannot be opened, so there will be no agent: the broker hears why."""
    if site.standby:
        log.warning("nobody is told: another agent of this id may be speaking")
        return
    try:
        broker = broker_of(site)
    except SecretUnreadable as secret:
        log.warning("nobody is told: %s", secret)
        return
    told = last_words.say(broker, Topics(site.plan.root), site.plan.agent, fault.alarm, str(fault))
    log.info("the broker %s", "was told" if told else "could not be told")
