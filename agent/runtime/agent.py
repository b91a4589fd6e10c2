"""The running agent: one worker that takes from the network, computes, journals, acknowledges, tells.

The order is the promise: what came in is acknowledged only after the journal has what it needs, and nothing
is told that the journal does not hold. See DEVELOPERS.md for the promises and their ids.
"""

from __future__ import annotations

import hashlib
import json
import logging
import queue
import threading
import time
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

from agent import __version__
from agent.assessment.alarms import Fault
from agent.broker.client import Address
from agent.contract.inputs import Undecodable
from agent.contract.times import rfc3339
from agent.contract.topics import Topics
from agent.journal.errors import Fault as JournalNotice
from agent.journal.errors import JournalError
from agent.journal.journal import Journal
from agent.journal.putting_back import backup_of
from agent.journal.rows import Row
from agent.outlets.announcer import OUTLET, Announcer
from agent.pipeline.pipeline import EMPTY, Outcome, Pipeline
from agent.runtime import last_words
from agent.runtime.abilities import Abilities
from agent.runtime.canary import Canary
from agent.runtime.clock import Clock
from agent.runtime.forehand import Forehand
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
from agent.runtime.keeping import Batch, Keeper
from agent.runtime.memory import remembered
from agent.runtime.mending import Mender
from agent.runtime.mqtt_link import MqttLink
from agent.runtime.shared_link import SharedLink
from agent.runtime.standby import Standby, told_filters
from agent.runtime.trouble import Trouble

log = logging.getLogger(__name__)

BATCH = 500
"""Messages between two commits, at most."""
WAIT_S = 0.1
"""How long the worker waits for a first message: the pace at which time passes in the pipeline."""
ANNOUNCE_EVERY_S = 1.0
STATE_EVERY_S = 30.0
START_TEND_S = 5.0
"""So long after the start the journal is tended for the first time."""
SESSION = "session"
POISON = "poison"
POISONS_KEPT = 16


ASK_AGAIN_S = 15.0
"""Between two tries to speak while the broker's access list is against us."""
SHORT_S = 5.0
FLAPS = 5
FLAPS_WITHIN_S = 60.0
"""A line that stood for less than `SHORT_S`, so often within so long: somebody takes it from us each time."""
LINE_ALARMS: Mapping[str, str] = {"hung": "link-down", "tls": "tls-refused"}
"""How a line ended or failed, and the alarm that says so besides `broker-lost`."""


class WorkerFailed(Exception):  # noqa: N818  it tells what happened to the worker
    """A message that the rooms cannot bear: the agent ends, and its next start sets the message aside."""


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
        shares_as: str | None = None,
    ) -> None:
        """`shares_as` tells this agent from others that have the same id and stand by for it."""
        self.pipeline = pipeline
        self.journal = journal
        self.clock = clock
        self.topics = Topics(pipeline.plan.root)
        self.canary = Canary(
            self.topics, pipeline.plan.agent, lambda topic, song: self.link.publish(topic, song, retain=False)
        )
        heard = [*pipeline.decoder.filters(readings_qos), (self.canary.topic, 1)]
        will = (self._state_topic, self._state("offline"))
        self.standby: Standby | None = None
        if shares_as is None:
            self.link = MqttLink(broker, heard, will, clock)
        else:
            told = told_filters(pipeline.plan)
            self.link = shared = SharedLink(broker, heard, will, clock, me=shares_as, told=told)
            self.standby = Standby(shared, journal)
        self._forehand = Forehand()
        self.abilities = Abilities(self.canary.topic, self.link)
        self._outbox = journal.outlet_view(OUTLET)
        self.announcer: Announcer[Row] = Announcer(
            self._outbox,
            self.topics,
            lambda topic, payload, retain: self.link.publish(topic, payload, retain=retain),
        )
        self.messages = 0
        self.last_message_s: float | None = None
        self.last_turn_monotonic_s = time.monotonic()
        self._on_batch = on_batch
        self.on_turn: Callable[[], None] | None = None
        """Called in the worker's thread after every turn that was committed."""
        self.trouble = Trouble()
        self._keeper = Keeper(journal, tell=self._tell_directly, alive=self._alive)
        self._mender = Mender(journal, clock)
        self._found = last_words.find(journal.folder)
        self._notices: list[JournalNotice] = [*journal.opened, *self._found]
        self._said_state_s = float("-inf")
        self._retied_s = 0.0
        self._followed_s = 0.0
        self._to_tell = True
        self._announced_s = 0.0
        self._shed_told = 0
        self._stop = threading.Event()
        self._poisons: list[str] = []
        self._began = False
        self._refusing = self._retried = False
        self._unheard = False
        """Our own canary did not come back."""
        self._refused_s: float | None = None
        """When the broker last refused what we said, or when it was said again."""
        self._line_up_s = float("-inf")
        self._short: deque[float] = deque(maxlen=FLAPS)

    @property
    def _state_topic(self) -> str:
        return self.topics.agent_state(self.pipeline.plan.agent)

    @property
    def journal_fault(self) -> str | None:
        """Why the journal takes nothing now; None where it does."""
        return self._keeper.fault

    def run(self, stop: threading.Event) -> None:
        """Work until `stop` is set. Raises JournalError where the journal can no longer be trusted."""
        self._stop = stop
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
        if self.standby is not None:
            self.standby.step(time.monotonic(), self.clock.now_s())
        if not self._began:
            self._began = True
            self._begin(batch)
        moved_s = self._follow_clock(batch)
        for happening in self._happenings():
            self._handle(_dated(happening, moved_s, self.clock.now_s()) if moved_s else happening, batch)
        batch.add(self._guarded(lambda: self.pipeline.passed(self.clock.now_s())))
        self._watch(batch)
        # What the last commit found wrong is told with this one.
        self._report(self._notices, batch)
        self._notices.clear()
        if batch.worth_committing:
            self._forehand.see(batch.events)
            faults = self._keeper.commit(batch, self._kept(batch), self._stop)
            if faults is None:
                return
            self._notices.extend(faults)
            self._to_tell = True
        if self._found:
            # A crash before this would have taken them along.
            self._found.clear()
            last_words.forget(self.journal.folder)
        for arrival in batch.arrivals:
            self.link.acknowledge(arrival)
        if self._on_batch is not None and batch.worth_committing:
            self._on_batch(batch)
        if self.link.connected:
            self._announce()
            self._tell_state()
        if self.on_turn is not None:
            self.on_turn()
        self._alive()

    def _follow_clock(self, batch: Batch) -> float:
        """Before anything of this turn is dated: by how much the clock was set, 0 where it was not."""
        now = time.monotonic()
        if now - self._followed_s < 1.0:
            return 0.0
        self._followed_s = now
        step = self.clock.retie(quiet=not self._measuring())
        if step is not None:
            log.warning("the system's clock was set by %+.1f s", step.by_s)
            self.pipeline.clock_set(step.by_s)
            self._happened("clock-step", f"the clock was set by {step.by_s:+.1f} s", batch)
        for fault in self._mender.look(step):
            self.raise_(fault, batch)
        return step.by_s if step is not None else 0.0

    def _alive(self) -> float:
        """The worker lives; the monotonic time."""
        self.last_turn_monotonic_s = time.monotonic()
        return self.last_turn_monotonic_s

    def _begin(self, batch: Batch) -> None:
        # Alarms that stood when the last run ended, whose end nobody would tell: what still holds is told
        # again within seconds.
        for name in self.pipeline.own_lasting():
            batch.add(self.pipeline.fault(Fault(name, active=False), self.clock.now_s()))
        for fault in self._mender.begin():
            self.raise_(fault, batch)

    def _announce(self) -> None:
        # The outbox is asked only where its answer may be another than last time, and now and then anyway.
        now_s = time.monotonic()
        if not self._to_tell and now_s - self._announced_s < ANNOUNCE_EVERY_S:
            return
        self._announced_s = now_s
        try:
            self._to_tell = self.announcer.step() > 0
        except JournalError as fault:
            self._keeper.judge(fault)
        self._notices.extend(self._outbox.take_faults())

    def _guarded(self, work: Callable[[], Outcome], arrival: Arrival | None = None) -> Outcome:
        """The rooms' work. What they cannot bear ends this run, so that the next one begins in order; the
        message at fault is not acknowledged, and known when it comes again.
        """
        try:
            return work()
        except Exception as fault:
            log.critical("the rooms failed", exc_info=True)
            text = f"{type(fault).__name__}: {fault}"[:300]
            if arrival is not None:
                self._poisons = [*self._poisons, _print_of(arrival)][-POISONS_KEPT:]
                why = Undecodable(arrival.message.topic, arrival.message.arrived_s, text, "failed")
                state = {POISON: json.dumps(self._poisons).encode()}
                self._keeper.commit(Batch(refused=[(arrival.message, why)], state=state), {}, self._stop)
                text = f"a message on {arrival.message.topic[:100]} could not be borne ({text})"
            last_words.leave(self.journal.folder, "worker-stuck", text)
            raise WorkerFailed(text) from fault

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
                self.link.taken(happening)
                if self._is_canary(happening, batch):
                    return
                self.messages += 1
                self.last_message_s = happening.message.arrived_s
                outcome = self._taken(happening, batch)
                batch.add(outcome)
                if happening.message.qos:
                    batch.arrivals.append(happening)
            case Published():
                self._published(happening, batch)
            case LinkUp():
                self._line_up(happening, batch)
            case LinkDown():
                self._line_down(happening, batch)
            case Subscribed():
                self.abilities.lowered(happening.lowered)
                if happening.refused:
                    log.warning("the broker refused subscriptions: %s", ", ".join(happening.refused))
                    self.raise_(
                        self.trouble.lasting("acl-denied", True, "the broker refuses subscriptions"), batch
                    )

            case Chore():
                self._do(happening, batch)
            case TurnChanged():
                self._turn_changed(happening)
            case OutletFault():
                log.warning("%s: %s", happening.outlet, happening.fault.text)
                self._happened(happening.fault.code, happening.fault.text, batch)

    def _happened(self, code: str, text: str, batch: Batch) -> None:
        for fault in self.trouble.happened(code, text, time.monotonic()):
            self.raise_(fault, batch)

    def _taken(self, arrival: Arrival, batch: Batch) -> Outcome:
        message = arrival.message
        if self._poisons and _print_of(arrival) in self._poisons:
            why = "it ended the agent when it came before"
            batch.refuse(message, Undecodable(message.topic, message.arrived_s, why, "failed"))
            return EMPTY
        outcome = self._guarded(lambda: self.pipeline.take(message), arrival)
        if outcome.complaint:
            log.warning("%s", outcome.complaint)
        if outcome.refused is not None:
            batch.refuse(message, outcome.refused)
        return outcome

    def _turn_changed(self, turn: TurnChanged) -> None:
        log.warning("our turn to speak: %s" if turn.ours else "no longer our turn to speak: %s", turn.why)
        self.announcer.line_lost()
        self.canary.line_lost()
        if turn.ours:
            self._to_tell = True
            self._said_state_s = float("-inf")
            self.canary.send(time.monotonic())

    def _published(self, published: Published, batch: Batch) -> None:
        self._to_tell = True
        if published.generation != self.link.generation:
            return
        try:
            taken = self.announcer.taken(published.mid, published.reason)
        except JournalError as fault:
            # What could not be settled is told again: the same record, under the same id.
            self._keeper.judge(fault)
            return
        if not taken:
            log.warning("the broker refused a record: its access list does not let the agent speak")
            self._refused_s = time.monotonic()
            self._refusing, self._retried = True, False
            self._access(batch, "the broker refuses what the agent says")

    def _access(self, batch: Batch, text: str = "") -> None:
        denied = self._unheard or self._refusing
        self.raise_(self.trouble.lasting("acl-denied", denied, text), batch)

    def _try_access(self, now_s: float, batch: Batch) -> None:
        """While the access list is against us: try again now and then, so that nobody has to restart us."""
        if self._refused_s is None or now_s - self._refused_s < ASK_AGAIN_S or not self.link.connected:
            return
        self._refused_s = now_s
        if self._unheard:
            self.canary.send(now_s)
        if self._refusing and not self._retried:
            self._retried = True
            self._outbox.try_again()
            self._to_tell = True
            self.announcer.line_lost()
        elif self._refusing:
            # What was refused was said again, and nobody objected.
            self._refusing = self._retried = False
            self._access(batch)
        if not (self._unheard or self._refusing):
            self._refused_s = None

    def _line_down(self, down: LinkDown, batch: Batch) -> None:
        self.announcer.line_lost()
        self.canary.line_lost()
        log.warning("no broker: %s", down.why)
        name = LINE_ALARMS.get(down.kind)
        if name is not None:
            self.raise_(self.trouble.lasting(name, True, down.why), batch)
        if down.kind == "taken-over" or self._flaps():
            text = (
                "the connection is lost right after it was made, again and again: another program connects "
                f"with the client id {self.link.broker.client_id!r}, or the network is unfit"
            )
            self._happened("client-id-taken", text, batch)
        first = "broker-lost" if self.link.generation else "broker-unreachable"
        self.raise_(self.trouble.lasting(first, True, down.why), batch)

    def _flaps(self) -> bool:
        now_s = time.monotonic()
        if now_s - self._line_up_s < SHORT_S:
            self._short.append(now_s)
        self._line_up_s = float("-inf")
        return len(self._short) == FLAPS and now_s - self._short[0] < FLAPS_WITHIN_S

    def _is_canary(self, arrival: Arrival, batch: Batch) -> bool:
        if arrival.message.topic == self.canary.topic and self.abilities.heard(
            arrival.message, time.monotonic()
        ):
            batch.arrivals.append(arrival)
            return True
        ours = self.canary.heard(arrival.message.topic, arrival.message.payload)
        if ours is None:
            return False
        batch.arrivals.append(arrival)
        if ours:
            self._unheard = False
            self._access(batch)
        return True

    def _do(self, chore: Chore, batch: Batch) -> None:
        match chore.what:
            case "canary":
                self.canary.send(time.monotonic())
            case "housekeeping":
                self._tend(batch)
            case "backup":
                self._back_up(batch)

    def _tend(self, batch: Batch) -> None:
        try:
            tended = self.journal.tend()
        except JournalError as fault:
            self._keeper.judge(fault)
            self._happened(fault.alarm, str(fault), batch)
            return
        for found in self.trouble.housekeeping(tended.conditions):
            self.raise_(found, batch)
        self._report(tended.faults, batch)

    def _report(self, faults: Sequence[JournalNotice], batch: Batch) -> None:
        for fault in faults:
            log.warning("journal: %s", fault.text)
            self._happened(fault.code, fault.text, batch)

    def _back_up(self, batch: Batch) -> None:
        path = backup_of(self.journal.folder)
        try:
            path.parent.mkdir(mode=0o700, exist_ok=True)
            self.journal.backup(path)
        except (OSError, JournalError) as fault:
            log.warning("the daily backup failed: %s", fault)
            self._happened("backup-failed", f"the daily backup failed: {fault}", batch)

    def _line_up(self, up: LinkUp, batch: Batch) -> None:
        kept = "session kept" if up.session_kept else "new session"
        log.info("connected to %s with MQTT %s, %s", self.link.broker, up.version, kept)
        self.abilities.line_up(up)
        self._to_tell = True
        self.announcer.line_lost()
        self._line_up_s = time.monotonic()
        self._said_state_s = float("-inf")
        for name in ("broker-lost", "broker-unreachable", *LINE_ALARMS.values()):
            self.raise_(self.trouble.lasting(name, False), batch)
        known = up.generation > 1 or self.journal.kept_state(SESSION) is not None
        if up.generation == 1:
            batch.state[SESSION] = b"made"
        if known and not up.session_kept:
            text = "the broker lost our session: what was sent while we were away is gone"
            self._happened("session-lost", text, batch)
        self.canary.send(time.monotonic())

    def _watch(self, batch: Batch) -> None:
        if self.link.consider_other_version():
            log.info("no answer yet; trying MQTT %s", self.link.version)
        now = time.monotonic()
        if now - self._retied_s < 1.0:
            return
        self._retied_s = now
        for fault in self.trouble.passed(now):
            self.raise_(fault, batch)
        if self.link.shed != self._shed_told:
            text = f"{self.link.shed - self._shed_told} readings were dropped: the agent could not keep up"
            self._shed_told = self.link.shed
            self._happened("overload", text, batch)
        self.abilities.step(now)
        if self.canary.overdue(now):
            self._unheard, self._refused_s = True, now
            text = "the agent does not hear what it says itself: look at the broker's access list"
            self._access(batch, text)
        self._try_access(now, batch)
        if not self.link.thread_alive():
            log.error("the network thread died; a new one begins")
            self.link.revive()

    def _measuring(self) -> bool:
        return any(line.detector.measuring() for line in self.pipeline.lines.values())

    def _tell_directly(self, code: str, text: str) -> None:
        # An alarm that cannot be journalled is still told, best effort: somebody has to mend the disk.
        self.link.publish(
            self.topics.alert("agent", code), last_words.alert_of(code, text, self.clock.now_s()), retain=True
        )

    def _kept(self, batch: Batch) -> Mapping[str, bytes]:
        # Of the cells where something happened: all of a large site at every commit would cost 50 ms.
        cells = {record.cell for record in batch.records} | {event.cell for event in batch.events}
        return {
            f"cell/{name}": json.dumps(kept, separators=(",", ":")).encode()
            for name, kept in self.pipeline.kept(cells).items()
        }

    def _restore(self) -> None:
        kept: dict[str, dict[str, object]] = {}
        for name in self.pipeline.lines:
            blob = self.journal.kept_state(f"cell/{name}")
            if blob:
                kept[name] = json.loads(blob)
        self._poisons = json.loads(self.journal.kept_state(POISON) or b"[]")
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
                "readings_missing": self.pipeline.readings_missing(),
                "faults": self.trouble.holding(),
                "mqtt": self.link.version,
            }
        return json.dumps(body, separators=(",", ":")).encode()


def _print_of(arrival: Arrival) -> str:
    return hashlib.sha256(arrival.message.topic.encode() + b"\0" + arrival.message.payload).hexdigest()[:32]


def _dated(happening: Happening, moved_s: float, now_s: float) -> Happening:
    """A message that came just before the clock was set is dated by the new clock, as all others are."""
    if not isinstance(happening, Arrival) or abs(now_s - happening.message.arrived_s) < abs(moved_s) / 2:
        return happening
    message = replace(happening.message, arrived_s=happening.message.arrived_s + moved_s)
    return replace(happening, message=message)
