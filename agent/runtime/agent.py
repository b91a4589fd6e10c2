"""The running agent: one worker that takes from the network, computes, journals, acknowledges, tells.

The order is the promise: what came in is acknowledged only after the journal has what it needs, and nothing
is told that the journal does not hold. See DEVELOPERS.md for the promises and their ids.
"""

from __future__ import annotations

import logging
import queue
import threading
import time
from collections.abc import Callable

from agent.assessment.alarms import Fault
from agent.broker.client import Address
from agent.contract.times import rfc3339
from agent.contract.topics import Topics
from agent.journal.errors import JournalError, JournalNotice
from agent.journal.journal import Journal
from agent.pipeline.pipeline import Pipeline
from agent.runtime import last_words, upkeep
from agent.runtime.abilities import Abilities
from agent.runtime.access import Access
from agent.runtime.canary import Canary
from agent.runtime.clock import Clock
from agent.runtime.clock_watch import ClockWatch
from agent.runtime.forehand import Forehand
from agent.runtime.guarding import Guard
from agent.runtime.happenings import (
    Arrival,
    Chore,
    Happening,
    LinkDown,
    LinkUp,
    OutletFault,
    Published,
    Subscribed,
    TurnChanged,
)
from agent.runtime.hearing import Hearing
from agent.runtime.keeping import Batch, Keeper
from agent.runtime.line_alarms import LineAlarms
from agent.runtime.memory import cells_state, restore
from agent.runtime.mqtt_link import MqttLink
from agent.runtime.raising import Raising
from agent.runtime.shared_link import Ear, SharedLink
from agent.runtime.speaking import Speaking, own_state
from agent.runtime.standby import Standby, told_filters

log = logging.getLogger(__name__)

BATCH = 500
"""Messages between two commits, at most."""
WAIT_S = 0.1
"""How long the worker waits for a first message: the pace at which time passes in the pipeline."""
LOOK_S = 1.0
"""Between two looks at what nobody tells us of."""


class RunningAgent:
    """Wires the rooms to one broker and one journal. `run` returns when `stop` is set."""

    def __init__(
        self,
        pipeline: Pipeline,
        journal: Journal,
        broker: Address,
        clock: Clock,
        *,
        readings_qos: int = 0,
        on_batch: Callable[[Batch], None] | None = None,
        ear: Ear | None = None,
    ) -> None:
        """`ear` is what an agent listens with that is not alone: others have its id and stand by for it."""
        self.pipeline = pipeline
        self.journal = journal
        self.clock = clock
        self.topics = Topics(pipeline.plan.root)
        self.canary = Canary(
            self.topics, pipeline.plan.agent, lambda topic, song: self.link.publish(topic, song, retain=False)
        )
        heard = [*pipeline.decoder.filters(readings_qos), (self.canary.topic, 1)]
        will = (self._state_topic, own_state(pipeline.plan.agent, "offline"))
        self.standby: Standby | None = None
        if ear is None:
            self.link = MqttLink(broker, heard, will, clock)
        else:
            told = told_filters(pipeline.plan)
            self.link = shared = SharedLink(broker, heard, will, clock, ear=ear, told=told)
            self.standby = Standby(shared, journal)
        self._forehand = Forehand()
        self.abilities = Abilities(self.canary.topic, self.link)
        self.last_turn_monotonic_s = time.monotonic()
        self._on_batch = on_batch
        self.on_turn: Callable[[], None] | None = None
        """Called in the worker's thread after every turn that was committed."""
        self._keeper = Keeper(journal, tell=self._tell_directly, alive=self._alive)
        self._guard = Guard(journal, self._keeper)
        self._speaking = Speaking(self.link, journal, self.topics, self._keeper)
        self._alarms = Raising(pipeline, clock)
        self.trouble = self._alarms.trouble
        self._line_alarms = LineAlarms(self.link, journal, self._alarms)
        self.daily_copy = upkeep.DailyCopy(journal, self.link.inbox.put)
        self._access = Access(self.canary, self._alarms, self._speaking.try_again)
        self.hearing = Hearing(pipeline, self._guard, self.abilities, self._access, self.canary.topic)
        self._clock_watch = ClockWatch(pipeline, journal, clock, self._alarms)
        self._found = last_words.find(journal.folder)
        self._notices: list[JournalNotice] = [*journal.opened, *self._found]
        self._watched_s = 0.0
        self._shed_told = 0
        self._stop = threading.Event()
        self._began = False

    @property
    def _state_topic(self) -> str:
        return self.topics.agent_state(self.pipeline.plan.agent)

    @property
    def journal_fault(self) -> str | None:
        """Why the journal takes nothing now; None where it does."""
        return self._keeper.fault

    def run(self, stop: threading.Event) -> None:
        """Work until `stop` is set. Raises JournalError where the journal can no longer be trusted, and
        WorkerFailed where a message cannot be borne.
        """
        self._stop = stop
        self._guard.restore()
        restore(self.pipeline, self.journal)
        self.link.start()
        try:
            while not stop.is_set():
                self.turn()
        finally:
            self.link.stop((self._state_topic, own_state(self.pipeline.plan.agent, "offline")))

    def turn(self) -> None:
        """One turn: take what came, let time pass, commit, acknowledge, tell."""
        batch = Batch()
        if self.standby is not None:
            self.standby.step(time.monotonic(), self.clock.now_s())
        if not self._began:
            self._began = True
            self._begin(batch)
        moved_s = self._clock_watch.follow(batch)
        for happening in self._happenings():
            self._handle(self._clock_watch.dated(happening, moved_s), batch)
        batch.add(self._guard.run(lambda: self.pipeline.passed(self.clock.now_s()), self._stop))
        self._watch(batch)
        # What the last commit found wrong is told with this one.
        self._alarms.journal(self._notices, batch)
        self._notices.clear()
        if self._committed(batch):
            self._after_commit(batch)

    def _committed(self, batch: Batch) -> bool:
        """Commit what is worth it; False where the agent was told to stop before there was room."""
        if batch.worth_committing:
            self._forehand.see(batch.events)
            faults = self._keeper.commit(batch, cells_state(self.pipeline, batch), self._stop)
            if faults is None:
                return False
            self._notices.extend(faults)
            self._speaking.there_is_more()
        if self._found:
            # A crash before this would have taken them along.
            self._found.clear()
            last_words.forget(self.journal.folder)
        return True

    def _after_commit(self, batch: Batch) -> None:
        for arrival in batch.arrivals:
            self.link.acknowledge(arrival)
        if self._on_batch is not None and batch.worth_committing:
            self._on_batch(batch)
        if self.link.connected:
            self._notices.extend(self._speaking.records())
            self._speaking.state(self._state_topic, self._online)
        if self.on_turn is not None:
            self.on_turn()
        self._alive()

    def _alive(self) -> float:
        """The worker lives; the monotonic time."""
        self.last_turn_monotonic_s = time.monotonic()
        return self.last_turn_monotonic_s

    def _begin(self, batch: Batch) -> None:
        # Alarms that stood when the last run ended, whose end nobody would tell: what still holds is told
        # again within seconds.
        for name in self.pipeline.own_lasting():
            batch.add(self.pipeline.fault(Fault(name, active=False), self.clock.now_s()))
        self._clock_watch.begin(batch)

    def _happenings(self) -> list[Happening]:
        found: list[Happening] = []
        try:
            found.append(self.link.inbox.get(timeout=WAIT_S))
            while len(found) < BATCH:
                found.append(self.link.inbox.get_nowait())
        except queue.Empty:
            pass
        return found

    def _handle(self, happening: Happening, batch: Batch) -> None:
        match happening:
            case Arrival():
                self.link.taken(happening)
                self.hearing.take(happening, batch, self._stop)
            case Published():
                if not self._speaking.taken(happening):
                    self._access.record_refused(batch)
            case LinkUp():
                self.abilities.line_up(happening)
                self._speaking.begin_anew()
                self._line_alarms.up(happening, batch)
                self.canary.send(time.monotonic())
            case LinkDown():
                self._speaking.line_lost()
                self.canary.line_lost()
                self._line_alarms.down(happening, batch)
            case Subscribed():
                self.abilities.lowered(happening.lowered)
                if happening.refused:
                    self._access.subscriptions_refused(happening.refused, batch)
            case Chore():
                self._do(happening, batch)
            case TurnChanged():
                self._turn_changed(happening)
            case OutletFault():
                log.warning("%s: %s", happening.outlet, happening.fault.text)
                self._alarms.happened(happening.fault.code, happening.fault.text, batch)

    def _turn_changed(self, turn: TurnChanged) -> None:
        log.warning("our turn to speak: %s" if turn.ours else "no longer our turn to speak: %s", turn.why)
        self.canary.line_lost()
        if turn.ours:
            self._speaking.begin_anew()
            self.canary.send(time.monotonic())
        else:
            self._speaking.line_lost()

    def _do(self, chore: Chore, batch: Batch) -> None:
        match chore.what:
            case "canary":
                self.canary.send(time.monotonic())
            case "housekeeping":
                upkeep.tend(self.journal, self._keeper, self._alarms, batch)
            case "backup":
                self.daily_copy.begin()

    def _watch(self, batch: Batch) -> None:
        if self.link.consider_other_version():
            log.info("no answer yet; trying MQTT %s", self.link.version)
        now = time.monotonic()
        if now - self._watched_s < LOOK_S:
            return
        self._watched_s = now
        for fault in self.trouble.passed(now):
            self._alarms.tell(fault, batch)
        if self.link.shed != self._shed_told:
            text = f"{self.link.shed - self._shed_told} readings were dropped: the agent could not keep up"
            self._shed_told = self.link.shed
            self._alarms.happened("overload", text, batch)
        self.abilities.step(now)
        self._access.step(now, batch, connected=self.link.connected)
        if not self.link.thread_alive():
            log.error("the network thread died; a new one begins")
            self.link.revive()

    def _tell_directly(self, code: str, text: str) -> None:
        # An alarm that cannot be journalled is still told, best effort: somebody has to mend the disk.
        self.link.publish(
            self.topics.alert("agent", code), last_words.alert_of(code, text, self.clock.now_s()), retain=True
        )

    def _online(self) -> bytes:
        health = {
            "messages": self.hearing.messages,
            "last_message_at": rfc3339(last_s) if (last_s := self.hearing.last_message_s) else None,
            "refused": sum(self.pipeline.refused().values()),
            "shed": self.link.shed,
            "readings_missing": self.pipeline.readings_missing(),
            "faults": self.trouble.holding(),
            "mqtt": self.link.version,
            "journal_head": _head_of(self.journal),
        }
        more = {"at": rfc3339(self.clock.now_s()), "health": health}
        return own_state(self.pipeline.plan.agent, "online", more)


def _head_of(journal: Journal) -> str | None:
    """Number and hash of the newest record: who keeps them can tell later whether the end was cut off."""
    try:
        seq, digest = journal.head()
    except JournalError:
        return None
    return f"{seq}:{digest}" if seq else None
