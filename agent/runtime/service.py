"""The service: the worker, the outlets' threads and the timetable, started and stopped in order."""

from __future__ import annotations

import logging
import threading
import time
from typing import TYPE_CHECKING

from agent.journal.errors import Fault, JournalError
from agent.runtime import service_manager
from agent.runtime.clock import SystemClock
from agent.runtime.happenings import OutletFault
from agent.runtime.timetable import Timetable
from agent.runtime.wiring import agent_of, influx_of, journal_of, people_of
from agent.settings.site import Site

if TYPE_CHECKING:
    from collections.abc import Callable

log = logging.getLogger(__name__)

STUCK_S = 20.0
"""A worker that has not finished a turn for so long is stuck: the watchdog is no longer fed."""
LOOK_S = 1.0
STOPS_WITHIN_S = 4.0


class Service:
    """Everything that `shotgram run` runs. `serve` returns the exit status."""

    def __init__(self, site: Site) -> None:
        """Open the journal and wire the parts.

        Raises JournalError where the journal cannot be opened, SecretUnreadable where a secret cannot be.
        """
        self.site = site
        self.journal = journal_of(site)
        try:
            self.agent = agent_of(site, self.journal, SystemClock())
            self._outlets: dict[str, Callable[[threading.Event], None]] = {}
            if site.influx is not None:
                self._outlets["influx"] = influx_of(site.influx, self.journal, self._heard("influx"))
            if site.notify is not None:
                self._outlets["people"] = people_of(
                    site.notify, site.plan.timezone, self.journal, self._heard("people")
                )
            self._timetable = Timetable(site.plan, self.agent.link.inbox)
            self.journal.declare_outlets(dict.fromkeys(["mqtt", *self._outlets], "all"))
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
        for thread in threads:
            thread.start()
        self._timetable.start()
        service_manager.tell("READY=1")
        try:
            self._look_after(threads, stop)
        finally:
            service_manager.tell("STOPPING=1")
            self._timetable.stop()
            deadline = time.monotonic() + STOPS_WITHIN_S
            for thread in threads:
                thread.join(max(0.1, deadline - time.monotonic()))
            self.journal.close()
        log.info("stopped")
        return 1 if self._failed else 0

    def _heard(self, outlet: str) -> Callable[[Fault], None]:
        return lambda fault: self.agent.link.inbox.put(OutletFault(outlet, fault))

    def _work(self, stop: threading.Event) -> None:
        try:
            self.agent.run(stop)
        except JournalError as fault:
            log.critical("the journal can no longer be trusted, ending: %s", fault)
            self._failed = True
        except Exception:
            log.critical("the worker failed, ending", exc_info=True)
            self._failed = True
        finally:
            stop.set()

    def _look_after(self, threads: list[threading.Thread], stop: threading.Event) -> None:
        period_s = service_manager.watchdog_period_s()
        fed_s = float("-inf")
        while not stop.wait(LOOK_S):
            now_s = time.monotonic()
            stuck_s = now_s - self.agent.last_turn_monotonic_s
            dead = [thread.name for thread in threads if not thread.is_alive()]
            if dead:
                log.critical("a thread died: %s; ending", ", ".join(dead))
                self._failed = True
                stop.set()
            elif stuck_s > STUCK_S:
                log.error("the worker has been stuck for %.0f s", stuck_s)
            elif period_s is not None and now_s - fed_s >= period_s:
                service_manager.tell("WATCHDOG=1")
                fed_s = now_s
