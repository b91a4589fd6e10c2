"""A site's pipeline: raw messages and the time in, records out.

Time passes on the arrival clock. Between two messages the rooms are told of it at fixed moments (whole
multiples of a tick), so that the same messages give the same records however they were batched.
"""

from __future__ import annotations

import math
from collections.abc import Container, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, TypeAlias

from agent.assessment.alarms import Fault
from agent.assessment.alarms_panels import agent_panel
from agent.assessment.alarms_table_agent import AGENT_ALARMS
from agent.contract.evidence import Evidence
from agent.contract.inputs import (
    AlarmCommand,
    ControllerEvent,
    Input,
    RawMessage,
    Reply,
    ScaleReading,
    Undecodable,
)
from agent.contract.plan import Plan
from agent.contract.records import Alert, Record
from agent.intake.complaints import Complaints
from agent.intake.decoder import Decoder
from agent.intake.duplicates import Seen
from agent.pipeline.cell_line import CellLine, Said
from agent.pipeline.gaps import ALARM
from agent.pipeline.refusals import Refusals

Told: TypeAlias = ControllerEvent | Reply | AlarmCommand
OWN = "agent"
"""The alarms of the agent itself stand where a cell's would; no cell may have this name."""
TICK_S = 1.0
COARSE_TICK_S = 10.0
"""After `FINE_S` of silence nothing is being measured, and only shifts, alarms and validity still move."""
FINE_S = 60.0
LONGEST_GAP_S = 40 * 24 * 3600.0
"""A longer silence, or a clock that jumped so far, is passed over at once."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of one message, or of time passing."""

    records: tuple[Record, ...] = ()
    evidence: Mapping[str, Evidence] = field(default_factory=dict)
    told: tuple[Told, ...] = ()
    """What somebody told us that must not be lost, when it is new: the journal keeps it."""
    refused: Undecodable | None = None
    complaint: str | None = None
    """A warning to log now; most refused messages are only counted."""


class Pipeline:
    """The rooms in their order, for all cells of a site."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self.decoder = Decoder(plan)
        self.lines = {cell.name: CellLine(cell, plan) for cell in plan.cells}
        self._own_alarms = agent_panel()
        self._refusals: dict[str, Refusals] = {}
        self._seen = Seen()
        self._complaints = Complaints()
        self._now_s: float | None = None
        self._heard_s = -math.inf

    def take(self, raw: RawMessage) -> Outcome:
        """One message, in the order of arrival."""
        before = self._until(raw.arrived_s)
        self._heard_s = max(self._heard_s, raw.arrived_s)
        item = self.decoder.decode(raw)
        if isinstance(item, ScaleReading):
            said = self.lines[item.cell].reading(item)
            return _outcome(before, said)
        if item is None:
            return _outcome(before, None)
        if isinstance(item, tuple):
            return _merged(before, [self._take(one, raw.topic) for one in item])
        if isinstance(item, Undecodable):
            return _outcome(
                before, self._alarm_of(item), refused=item, complaint=self._complaints.about(item)
            )
        return _merged(before, [self._take(item, raw.topic)])

    def passed(self, now_s: float) -> Outcome:
        """Time passes with no message."""
        return _outcome(self._until(now_s), None)

    def finish(self) -> Outcome:
        """Nothing more will come: give what can be given."""
        return _outcome([line.finish() for line in self.lines.values()], None)

    def fault(self, fault: Fault, now_s: float) -> Outcome:
        """Something at the rim went wrong, or is right again: an alarm of every cell it touches."""
        if fault.cell in self.lines:
            return _outcome([self.lines[fault.cell].told(fault, now_s)], None)
        return _outcome([Said(tuple(self._own_alarms.fault(fault, now_s)))], None)

    def refused(self) -> dict[tuple[str, str], int]:
        """How many messages were refused, by topic and kind of fault."""
        return self._complaints.counts()

    def clock_set(self, by_s: float) -> None:
        """The clock that dates arrivals was set by `by_s` seconds, while nothing was measured.

        What was learned of the senders' clocks stays true; a shot that follows at once is placed rightly.
        """
        self._own_alarms.clock_set(by_s)
        for line in self.lines.values():
            line.clock_set(by_s)

    def readings_missing(self) -> int:
        """How many numbered readings never came."""
        return sum(line.gaps.missing for line in self.lines.values())

    def readings_repeated(self) -> int:
        """How many numbered readings came again and were left out."""
        return sum(line.repeats.repeated for line in self.lines.values())

    def own_lasting(self) -> list[str]:
        """Alarms of the agent itself that are active and end only when somebody says so."""
        active = {one.name for one in self._own_alarms.standing() if one.active}
        return [kind.name for kind in AGENT_ALARMS if kind.name in active and kind.ends_after_s is None]

    def restore(
        self,
        records: Iterable[Record],
        events: Iterable[ControllerEvent | Reply],
        kept: Mapping[str, Mapping[str, Any]],
    ) -> None:
        """Take up where the journal left off."""
        records, events = list(records), list(events)
        self._own_alarms.restore([r for r in records if isinstance(r, Alert) and r.cell == OWN])
        for event in events:
            if isinstance(event, ControllerEvent):
                self._seen.first_time(event.cell, event.event_id)
        for name, line in self.lines.items():
            line.restore(
                [record for record in records if record.cell == name],
                [event for event in events if event.cell == name],
                kept.get(name, {}),
            )

    def kept(self, cells: Container[str]) -> dict[str, dict[str, Any]]:
        """What the journal should keep of these cells for a restart, a plain object for each."""
        return {name: line.kept() for name, line in self.lines.items() if name in cells}

    def _until(self, now_s: float) -> list[Said]:
        last_s = self._now_s
        if last_s is not None and last_s <= now_s < last_s + TICK_S:
            return []
        said: list[Said] = []
        for moment_s in self._moments(now_s):
            said.extend(heard for line in self.lines.values() if (heard := line.passed(moment_s)).records)
            for line in self.lines.values():
                if text := line.missing(moment_s):
                    gap = Fault(name=ALARM, active=True, text=text, mark=text)
                    said.append(Said(tuple(self._own_alarms.fault(gap, moment_s))))
            if own := self._own_alarms.passed(moment_s):
                said.append(Said(tuple(own)))
        return said

    def _take(self, item: Input, topic: str) -> Outcome:
        if isinstance(item, ControllerEvent) and not self._seen.first_time(item.cell, item.event_id):
            return EMPTY
        strange = self._strange(item, topic)
        said = self._to_own_alarms(item) if item.cell == OWN else self.lines[item.cell].take(item)
        told = (item,) if isinstance(item, (ControllerEvent, Reply, AlarmCommand)) else ()
        if strange is None:
            return Outcome(said.records, said.evidence, told)
        alarm = self._alarm_of(strange)
        records = (*said.records, *(alarm.records if alarm is not None else ()))
        return Outcome(records, said.evidence, told, strange, self._complaints.about(strange))

    def _strange(self, item: Input, topic: str) -> Undecodable | None:
        """What is wrong with an answer to a request, or a command to an alarm, that nobody knows."""
        if not isinstance(item, (Reply, AlarmCommand)):
            return None
        if isinstance(item, AlarmCommand) and item.cell == OWN:
            why = self._own_alarms.objection(item)
        else:
            why = self.lines[item.cell].desk.objection(item)
        code = "unknown_request" if isinstance(item, Reply) else "unknown_alarm"
        return None if why is None else Undecodable(topic, item.arrived_s, why, code)

    def _alarm_of(self, refused: Undecodable) -> Said | None:
        cell = self.decoder.cell_of(refused.topic)
        many = self._refusals.setdefault(cell or OWN, Refusals()).add(refused.arrived_s)
        if not many:
            return None
        text = f"many messages on {refused.topic[:100]} cannot be used, the last one: {refused.fault}"
        fault = Fault(name="input-rejected", active=True, text=text, cell=cell or OWN)
        if cell is None:
            return Said(tuple(self._own_alarms.fault(fault, refused.arrived_s)))
        return self.lines[cell].told(fault, refused.arrived_s)

    def _to_own_alarms(self, item: Input) -> Said:
        return Said(tuple(self._own_alarms.command(item))) if isinstance(item, AlarmCommand) else Said()

    def _moments(self, now_s: float) -> Iterator[float]:
        last_s = self._now_s
        if last_s is None or now_s - last_s > LONGEST_GAP_S or last_s - now_s > COARSE_TICK_S:
            # The first message, or a clock that was set: time begins here.
            last_s = math.floor(now_s / TICK_S) * TICK_S - TICK_S
        self._now_s = last_s
        while True:
            step_s = TICK_S if self._now_s - self._heard_s < FINE_S else COARSE_TICK_S
            next_s = (math.floor(self._now_s / step_s) + 1) * step_s
            if next_s > now_s:
                return
            self._now_s = next_s
            yield next_s


def _outcome(
    before: list[Said],
    said: Said | None,
    *,
    refused: Undecodable | None = None,
    complaint: str | None = None,
) -> Outcome:
    if not before and refused is None and (said is None or not said.records):
        return EMPTY
    parts = [*before, said] if said is not None else before
    evidence: dict[str, Evidence] = {}
    for one in parts:
        evidence.update(one.evidence)
    records = tuple(record for one in parts for record in one.records)
    return Outcome(records, evidence, (), refused, complaint)


def _merged(before: list[Said], outcomes: list[Outcome]) -> Outcome:
    if not before and len(outcomes) == 1:
        return outcomes[0]
    first = _outcome(before, None)
    evidence = dict(first.evidence)
    for outcome in outcomes:
        evidence.update(outcome.evidence)
    records = tuple(record for outcome in (first, *outcomes) for record in outcome.records)
    told = tuple(told for outcome in outcomes for told in outcome.told)
    refused = next((outcome.refused for outcome in outcomes if outcome.refused is not None), None)
    complaint = next((outcome.complaint for outcome in outcomes if outcome.complaint is not None), None)
    return Outcome(records, evidence, told, refused, complaint)


EMPTY = Outcome()
