"""One cell's line through the rooms: detection, flow, assessment, and what they need of each other."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from agent.assessment.desk import Conditions, Desk, Fault
from agent.contract.evidence import Evidence
from agent.contract.inputs import (
    AlarmCommand,
    ControllerEvent,
    FluidTemperature,
    Input,
    PotPressure,
    Reply,
    ScaleReading,
)
from agent.contract.plan import Cell, Plan
from agent.contract.records import Record
from agent.detection.detector import Detector
from agent.detection.window import Window
from agent.flow.evidence import evidence_of
from agent.flow.measuring import measure
from agent.flow.record import dispense_record
from agent.flow.surroundings import PotReadings, Surroundings
from agent.intake.duplicates import Repeats
from agent.pipeline.gaps import Gaps
from agent.pipeline.lessons import Lessons
from agent.pipeline.pot_and_fluid import PotAndFluid


@dataclass(frozen=True, slots=True)
class Said:
    """What a cell's line said: records in order, and the evidence of the dispenses among them."""

    records: tuple[Record, ...] = ()
    evidence: Mapping[str, Evidence] = field(default_factory=dict)


NOTHING = Said()
CLOCK_OFF_S = 2.0
"""From here on a scale's clock counts as off: no network delays all of half an hour's readings so long."""


class CellLine:
    """Takes one cell's inputs and the time; gives its records."""

    def __init__(self, cell: Cell, plan: Plan) -> None:
        self.cell = cell
        self.detector = Detector(cell, plan)
        self.desk = Desk(cell, plan)
        self._plan = plan
        self.gaps = Gaps(cell.name)
        self.repeats = Repeats()
        self._unmeasured = 0, 0
        """Dispenses told and abandoned, or told belatedly, as far as it was looked at."""
        self._around = PotAndFluid()
        self._learned = Lessons()
        self._told_desk: tuple[object, object] | None = None

    def reading(self, reading: ScaleReading) -> Said:
        """A scale's reading: the hot path."""
        if self.repeats.is_repeated(reading):
            return NOTHING
        self.gaps.reading(reading)
        windows = self.detector.reading(reading)
        return self._measured(windows) if windows else NOTHING

    def take(self, item: Input) -> Said:
        """Any other input, in the order of its arrival."""
        match item:
            case ScaleReading():
                return self.reading(item)
            case ControllerEvent():
                self.gaps.opened(item)
                # What the event ends was measured under what held before it.
                found = self._measured(self.detector.event(item))
                self._learned.told(item)
                return _joined(found, Said(tuple(self.desk.event(item))))
            case PotPressure():
                self._around.pressure(item)
                told = Conditions(at_s=item.arrived_s, pot_pressure_bar=item.pressure_bar)
                return Said(tuple(self.desk.conditions(told)))
            case FluidTemperature():
                self._around.temperature(item)
                told = Conditions(at_s=item.arrived_s, fluid_c=item.temperature_c)
                return Said(tuple(self.desk.conditions(told)))
            case Reply():
                return Said(tuple(self.desk.reply(item)))
            case AlarmCommand():
                return Said(tuple(self.desk.alarm_command(item)))

    def passed(self, now_s: float) -> Said:
        """Time passes."""
        found = self._measured(self.detector.passed(now_s))
        scales, slopes = self.detector.scales_heard(), self.detector.idle_slopes()
        told: list[Record] = []
        if self._told_desk != (scales, slopes):
            # What has not changed is no news: there may be two hundred cells to tell every second.
            self._told_desk = (scales, slopes)
            told = self.desk.conditions(Conditions(at_s=now_s, scales=scales, idle_slopes=slopes))
        passed = self.desk.passed(now_s)
        return _joined(found, Said((*told, *passed))) if told or passed else found

    def clock_set(self, by_s: float) -> None:
        """Our own clock was set, while nothing was measured."""
        self.detector.clock_set(by_s)
        self.desk.clock_set(by_s)
        self._around.clock_set(by_s)

    def missing(self, now_s: float) -> str | None:
        """What of the input was found to be missing and is not told yet."""
        self._account()
        return self.gaps.to_tell(now_s)

    def _account(self) -> None:
        """Dispenses that the detector gave up count as missing."""
        abandoned, belated = self.detector.abandoned, self.detector.belated
        if (abandoned, belated) != self._unmeasured:
            awaited = {event.event_id for event in self.detector.awaited()}
            self.gaps.settled(awaited, belated - self._unmeasured[1])
            self._unmeasured = abandoned, belated

    def finish(self) -> Said:
        """Nothing more will come."""
        return self._measured(self.detector.finish())

    def told(self, fault: Fault, now_s: float) -> Said:
        """Something at the rim went wrong, or is right again."""
        return Said(tuple(self.desk.conditions(Conditions(at_s=now_s, faults=(fault,)))))

    def restore(
        self, records: Iterable[Record], events: Iterable[ControllerEvent | Reply], kept: Mapping[str, Any]
    ) -> None:
        """Take up where the journal left off."""
        events = list(events)
        self.desk.restore(records, events)
        told = [event for event in events if isinstance(event, ControllerEvent)]
        self._learned.restore(kept.get("learned", {}), told)
        self.detector.restore(kept.get("detector", {}))
        self.gaps.restore(kept.get("gaps", {}))
        for event in self.detector.awaited():
            self.gaps.opened(event)

    def kept(self) -> dict[str, Any]:
        """What the journal should keep for a restart, as plain JSON."""
        self._account()  # what is neither awaited nor missing would be forgotten
        return {
            "learned": self._learned.kept(),
            "detector": self.detector.snapshot(),
            "gaps": self.gaps.kept(),
        }

    def _measured(self, windows: Iterable[Window]) -> Said:
        records: list[Record] = []
        evidence: dict[str, Evidence] = {}
        for window in windows:
            surroundings = self._surroundings(window)
            measurement = measure(window, surroundings)
            dispense = dispense_record(window, surroundings, measurement)
            ahead_s = self.detector.scale_ahead_s(window.scale)
            if abs(ahead_s) >= CLOCK_OFF_S:
                dispense = replace(dispense, scale_ahead_s=round(ahead_s, 1))
            if dispense.quality == "good":
                group = self._learned.group(window, window.opened_s - ahead_s)
                self._learned.learn(window, measurement, group)
            self.gaps.measured(window.origin)
            evidence[dispense.id] = evidence_of(window, surroundings)
            records.append(dispense)
            records.extend(self.desk.dispense(dispense))
        return Said(tuple(records), evidence)

    def _surroundings(self, window: Window) -> Surroundings:
        setup = self._plan.setup(window.setup) if window.setup else None
        ahead_s = self.detector.scale_ahead_s(window.scale)
        pot = self._around.pressures(window.opened_s - ahead_s, window.closed_s - ahead_s)
        return Surroundings(
            scale=self.cell.scale(window.scale),
            fluid=self._plan.fluid(setup.fluid) if setup else None,
            fluid_c=self._around.temperature_c(window.opened_s - ahead_s),
            pot=PotReadings(pot[0] + ahead_s, pot[1]) if pot is not None else None,
            setpoint_bar=setup.pot_pressure_bar if setup else None,
            air_temperature_c=self.cell.air_temperature_c,
            air_pressure_hpa=self.cell.air_pressure_hpa,
            air_humidity_pct=self.cell.air_humidity_pct,
            gun=self.cell.gun(window.gun) if window.gun else None,
            learned=self._learned.of(window.gun, window.scale),
        )


def _joined(first: Said, second: Said) -> Said:
    if not first.records:
        return second
    return Said((*first.records, *second.records), first.evidence)
