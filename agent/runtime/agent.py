"""The running agent: one worker that takes from the network, computes, journals, acknowledges, tells.

The order is the promise: what came in is acknowledged only after the journal has what it needs, and nothing
is told that the journal does not hold. See DEVELOPERS.md for the promises and their ids.
"""

from __future__ import annotations

import json
import logging
import queue
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from agent import __version__
from agent.assessment.alarms import Fault
from agent.broker.client import Address
from agent.contract.evidence import Evidence
from agent.contract.inputs import RawMessage, Undecodable
from agent.contract.records import Record
from agent.contract.times import rfc3339
from agent.contract.topics import Topics
from agent.journal.errors import Fault as JournalNotice
from agent.journal.errors import JournalError
from agent.journal.journal import Journal
from agent.journal.rows import Row
from agent.outlets.announcer import OUTLET, Announcer
from agent.pipeline.pipeline import Outcome, Pipeline, Told
from agent.runtime.canary import Canary
from agent.runtime.clock import Clock
from agent.runtime.happenings import (
    Arrival,
    Chore,
    Happening,
    LinkDown,
    LinkUp,
    OutletFault,
    Published,
    Subscribed,
)
from agent.runtime.memory import remembered
from agent.runtime.mqtt_link import MqttLink
from agent.runtime.trouble import Trouble

log = logging.getLogger(__name__)

BATCH = 500
"""Messages between two commits, at most."""
WAIT_S = 0.1
"""How long the worker waits for a first message: the pace at which time passes in the pipeline."""
STATE_EVERY_S = 30.0
RETRY_JOURNAL_S = 1.0


@dataclass(slots=True)
class Batch:
    """What one turn of the worker must commit before it may acknowledge."""

    arrivals: list[Arrival] = field(default_factory=list)
    records: list[Record] = field(default_factory=list)
    events: list[Told] = field(default_factory=list)
    evidence: dict[str, Evidence] = field(default_factory=dict)
    refused: list[tuple[RawMessage, Undecodable]] = field(default_factory=list)

    def add(self, outcome: Outcome) -> None:
        """Put what came of one message with the rest."""
        self.records.extend(outcome.records)
        self.evidence.update(outcome.evidence)
        self.events.extend(outcome.told)

    @property
    def worth_committing(self) -> bool:
        """Whether the journal has to hear of it."""
        return bool(self.records or self.events or self.refused)


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
    ) -> None:
        self.pipeline = pipeline
        self.journal = journal
        self.clock = clock
        self.topics = Topics(pipeline.plan.root)
        self.canary = Canary(
            self.topics, pipeline.plan.agent, lambda topic, song: self.link.publish(topic, song, retain=False)
        )
        self.link = MqttLink(
            broker,
            [*pipeline.decoder.filters(readings_qos), (self.canary.topic, 1)],
            will=(self._state_topic, self._state("offline")),
            clock=clock,
        )
        self.announcer: Announcer[Row] = Announcer(
            journal.outlet_view(OUTLET),
            self.topics,
            lambda topic, payload, retain: self.link.publish(topic, payload, retain=retain),
        )
        self.messages = 0
        self.last_message_s: float | None = None
        self.last_turn_monotonic_s = time.monotonic()
        self._on_batch = on_batch
        self.trouble = Trouble()
        self._notices: list[JournalNotice] = list(journal.opened)
        self._said_state_s = float("-inf")
        self._retied_s = 0.0
        self._shed_told = 0

    @property
    def _state_topic(self) -> str:
        return self.topics.agent_state(self.pipeline.plan.agent)

    def run(self, stop: threading.Event) -> None:
        """Work until `stop` is set. Raises JournalError where the journal can no longer be trusted."""
        self._restore()
        self.link.start()
        try:
            while not stop.is_set():
                self.turn()
        finally:
            self.link.stop((self._state_topic, self._state("offline")))

    def turn(self) -> None:
        """One turn: take what came, let time pass, commit, acknowledge, tell."""
        batch = Batch()
        for happening in self._happenings():
            self._handle(happening, batch)
        batch.add(self.pipeline.passed(self.clock.now_s()))
        self._watch(batch)
        # What the last commit found wrong is told with this one.
        self._report(self._notices, batch)
        self._notices.clear()
        if batch.worth_committing:
            self._commit(batch)
        for arrival in batch.arrivals:
            self.link.acknowledge(arrival)
        if self._on_batch is not None and batch.worth_committing:
            self._on_batch(batch)
        if self.link.connected:
            self.announcer.step()
            self._tell_state()
        self.last_turn_monotonic_s = time.monotonic()

    def raise_(self, fault: Fault | None, batch: Batch) -> None:
        """Tell the alarms of trouble at the rim, or of its end; None is no news."""
        if fault is not None:
            batch.add(self.pipeline.fault(fault, self.clock.now_s()))

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
                if self._is_canary(happening, batch):
                    return
                self.messages += 1
                self.last_message_s = happening.message.arrived_s
                outcome = self.pipeline.take(happening.message)
                if outcome.complaint:
                    log.warning("%s", outcome.complaint)
                if outcome.refused is not None:
                    batch.refused.append((happening.message, outcome.refused))
                batch.add(outcome)
                if happening.message.qos:
                    batch.arrivals.append(happening)
            case Published():
                if happening.generation == self.link.generation and not self.announcer.taken(
                    happening.mid, happening.reason
                ):
                    log.warning("the broker refused a record: its access list does not let the agent speak")
                    self.raise_(
                        self.trouble.lasting("acl-denied", True, "the broker refuses what the agent says"),
                        batch,
                    )
            case LinkUp():
                self._line_up(happening, batch)
            case LinkDown():
                self.announcer.line_lost()
                log.warning("no broker: %s", happening.why)
                self.raise_(self.trouble.lasting("broker-lost", True, happening.why), batch)
                self.canary.line_lost()
            case Subscribed():
                if happening.refused:
                    log.warning("the broker refused subscriptions: %s", ", ".join(happening.refused))
                    self.raise_(
                        self.trouble.lasting("acl-denied", True, "the broker refuses subscriptions"), batch
                    )

            case Chore():
                self._do(happening, batch)
            case OutletFault():
                log.warning("%s: %s", happening.outlet, happening.fault.text)
                self.raise_(self.trouble.happened(happening.fault.code, happening.fault.text), batch)

    def _is_canary(self, arrival: Arrival, batch: Batch) -> bool:
        ours = self.canary.heard(arrival.message.topic, arrival.message.payload)
        if ours is None:
            return False
        batch.arrivals.append(arrival)
        if ours:
            self.raise_(self.trouble.lasting("acl-denied", False), batch)
        return True

    def _do(self, chore: Chore, batch: Batch) -> None:
        match chore.what:
            case "canary":
                self.canary.send(time.monotonic())
            case "housekeeping":
                tended = self.journal.tend()
                for fault in self.trouble.housekeeping(tended.conditions):
                    self.raise_(fault, batch)
                self._report(tended.faults, batch)
            case "backup":
                self._back_up(batch)

    def _report(self, faults: Sequence[JournalNotice], batch: Batch) -> None:
        for fault in faults:
            log.warning("journal: %s", fault.text)
            self.raise_(self.trouble.happened(fault.code, fault.text), batch)

    def _back_up(self, batch: Batch) -> None:
        path = self.journal.folder / "backup" / "journal.db"
        try:
            path.parent.mkdir(mode=0o700, exist_ok=True)
            self.journal.backup(path)
        except (OSError, JournalError) as fault:
            log.warning("the daily backup failed: %s", fault)
            self.raise_(self.trouble.happened("backup-failed", f"the daily backup failed: {fault}"), batch)

    def _line_up(self, up: LinkUp, batch: Batch) -> None:
        kept = "session kept" if up.session_kept else "new session"
        log.info("connected to %s with MQTT %s, %s", self.link.broker, up.version, kept)
        if up.version == "3.1.1":
            log.info(
                "MQTT 3.1.1: a publish that the broker's access list forbids looks delivered, and a request "
                "cannot expire on the broker; the agent's own expiry still holds"
            )
        self.announcer.line_lost()
        self._said_state_s = float("-inf")
        self.raise_(self.trouble.lasting("broker-lost", False), batch)
        if up.generation > 1 and not up.session_kept:
            text = "the broker lost our session: what was sent while we were away is gone"
            self.raise_(self.trouble.happened("session-lost", text), batch)
        self.canary.send(time.monotonic())

    def _watch(self, batch: Batch) -> None:
        if self.link.consider_other_version():
            log.info("no answer yet; trying MQTT %s", self.link.version)
        now = time.monotonic()
        if now - self._retied_s < 1.0:
            return
        self._retied_s = now
        step = self.clock.retie(quiet=not self._measuring())
        if step is not None:
            log.warning("the system's clock was set by %+.1f s", step.by_s)
            text = f"the clock was set by {step.by_s:+.1f} s"
            self.raise_(self.trouble.happened("clock-step", text), batch)
        if self.link.shed != self._shed_told:
            text = f"{self.link.shed - self._shed_told} readings were dropped: the agent could not keep up"
            self._shed_told = self.link.shed
            self.raise_(self.trouble.lasting("overload", True, text), batch)
        elif self.link.inbox.qsize() < BATCH:
            self.raise_(self.trouble.lasting("overload", False), batch)
        if self.canary.overdue(now):
            text = "the agent does not hear what it says itself: look at the broker's access list"
            self.raise_(self.trouble.lasting("acl-denied", True, text), batch)
        if not self.link.thread_alive():
            log.error("the network thread died; a new one begins")
            self.link.revive()

    def _measuring(self) -> bool:
        return any(line.detector.measuring() for line in self.pipeline.lines.values())

    def _commit(self, batch: Batch) -> None:
        # The worker does nothing else until the journal has it: unacknowledged, the broker keeps the rest.
        while True:
            try:
                appended = self.journal.append(
                    batch.records,
                    batch.events,
                    batch.evidence,
                    state=self._kept() if batch.events or batch.records else {},
                    refused=batch.refused,
                )
            except JournalError as fault:
                if fault.must_restart:
                    raise
                log.error("the journal cannot take a record: %s; trying again", fault)  # noqa: TRY400
                self._tell_directly(fault)
                time.sleep(RETRY_JOURNAL_S)
            else:
                self._notices.extend(appended.faults)
                return

    def _tell_directly(self, fault: JournalError) -> None:
        # An alarm that cannot be journalled is still told, best effort: somebody has to free the disk.
        body = {"record": "alert", "cell": "agent", "name": fault.alarm, "state": "UNACK", "text": str(fault)}
        self.link.publish(self.topics.alert("agent", fault.alarm), json.dumps(body).encode(), retain=True)

    def _kept(self) -> Mapping[str, bytes]:
        return {
            f"cell/{name}": json.dumps(kept, separators=(",", ":")).encode()
            for name, kept in self.pipeline.kept().items()
        }

    def _restore(self) -> None:
        kept: dict[str, dict[str, object]] = {}
        for name in self.pipeline.lines:
            blob = self.journal.kept_state(f"cell/{name}")
            if blob:
                kept[name] = json.loads(blob)
        self.pipeline.restore(*remembered(self.journal), kept)

    def _tell_state(self) -> None:
        now = time.monotonic()
        if now - self._said_state_s >= STATE_EVERY_S:
            self._said_state_s = now
            self.link.publish(self._state_topic, self._state("online"), retain=True)

    def _state(self, state: str) -> bytes:
        body: dict[str, object] = {"state": state, "version": __version__, "agent": self.pipeline.plan.agent}
        if state == "online":
            body["at"] = rfc3339(self.clock.now_s())
            body["health"] = {
                "messages": self.messages,
                "last_message_at": rfc3339(self.last_message_s) if self.last_message_s else None,
                "refused": sum(self.pipeline.refused().values()),
                "shed": self.link.shed,
                "faults": self.trouble.holding(),
                "mqtt": self.link.version,
            }
        return json.dumps(body, separators=(",", ":")).encode()
