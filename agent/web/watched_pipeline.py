"""A pipeline that counts what goes through it and times its fits, for the page and for health.

The pipeline itself knows no clock; what is measured here changes nothing that it says.
"""

from __future__ import annotations

import time
from bisect import bisect_left
from collections import Counter

import numpy as np

from agent.assessment.alarms_one import AlarmStanding
from agent.contract.inputs import (
    AlarmCommand,
    ControllerEvent,
    FluidTemperature,
    Input,
    PotPressure,
    RawMessage,
    Reply,
    ScaleReading,
    Undecodable,
)
from agent.contract.plan import Plan
from agent.contract.records import Dispense
from agent.intake.decoder import Decoder
from agent.pipeline.cell_line import CellLine
from agent.pipeline.pipeline import Outcome, Pipeline
from agent.web.snapshot import FIT_BOUNDS_S, CellSnapshot, Counts, LiveCurve

KINDS: dict[type, str] = {
    ScaleReading: "reading",
    ControllerEvent: "event",
    PotPressure: "pressure",
    FluidTemperature: "temperature",
    Reply: "reply",
    AlarmCommand: "command",
}
CURVE_S = 60.0
CURVE_POINTS = 240
"""Points of a live curve: a small picture shows no more."""


class CountingDecoder(Decoder):
    """Counts what it reads, by cell and kind."""

    def __init__(self, plan: Plan) -> None:
        super().__init__(plan)
        self.counts: Counter[tuple[str, str]] = Counter()

    def decode(self, raw: RawMessage) -> Input | tuple[Input, ...] | Undecodable | None:
        """As the decoder does."""
        item = super().decode(raw)
        for one in item if isinstance(item, tuple) else (item,):
            kind = KINDS.get(type(one))
            if kind is not None:
                self.counts[getattr(one, "cell", ""), kind] += 1
        return item


class WatchedPipeline(Pipeline):
    """The pipeline, counted. All methods are for the worker's thread."""

    def __init__(self, plan: Plan) -> None:
        super().__init__(plan)
        self.decoder: CountingDecoder = CountingDecoder(plan)
        self._shots: Counter[tuple[str, str, str]] = Counter()
        self._records: Counter[str] = Counter()
        self._fits = [0] * (len(FIT_BOUNDS_S) + 1)
        self._fit_sum_s = 0.0

    def take(self, raw: RawMessage) -> Outcome:
        """As the pipeline does."""
        began_s = time.perf_counter()
        outcome = super().take(raw)
        if outcome.records:
            self._count(outcome, time.perf_counter() - began_s)
        return outcome

    def passed(self, now_s: float) -> Outcome:
        """As the pipeline does."""
        began_s = time.perf_counter()
        outcome = super().passed(now_s)
        if outcome.records:
            self._count(outcome, time.perf_counter() - began_s)
        return outcome

    def counts(self) -> Counts:
        """What was counted since the start."""
        refused: Counter[str] = Counter()
        for (_, code), number in self.refused().items():
            refused[code] += number
        return Counts(
            messages=dict(self.decoder.counts),
            refused=dict(refused),
            shots=dict(self._shots),
            records=dict(self._records),
            fits=tuple(self._fits),
            fit_sum_s=self._fit_sum_s,
        )

    def own_alarms(self) -> tuple[AlarmStanding, ...]:
        """Alarms of the agent itself."""
        return tuple(self._own_alarms.standing())

    def cells(self, *, with_curves: bool) -> tuple[CellSnapshot, ...]:
        """How every cell stands now."""
        return tuple(_cell(line, with_curves=with_curves) for line in self.lines.values())

    def _count(self, outcome: Outcome, took_s: float) -> None:
        dispenses = 0
        for record in outcome.records:
            self._records[record.record] += 1
            if isinstance(record, Dispense):
                dispenses += 1
                self._shots[record.cell, record.purpose, record.quality] += 1
        if dispenses:
            # What the desk adds to a fit is a hundredth of it.
            each_s = took_s / dispenses
            self._fits[bisect_left(FIT_BOUNDS_S, each_s)] += dispenses
            self._fit_sum_s += took_s


def _cell(line: CellLine, *, with_curves: bool) -> CellSnapshot:
    detector, scales = line.detector, [scale.name for scale in line.cell.scales]
    return CellSnapshot(
        name=line.cell.name,
        desk=line.desk.status(),
        scales=tuple(detector.status(scale) for scale in scales),
        speaking=detector.scales_heard(),
        open_guns=tuple(detector.open_guns()),
        curves=tuple(_curve(line, scale) for scale in scales) if with_curves else (),
    )


def _curve(line: CellLine, scale: str) -> LiveCurve:
    curve = line.detector.curve(scale, CURVE_S)
    size = curve.t_s.size
    if size == 0:
        return LiveCurve(scale, (), ())
    keep = np.unique(np.linspace(0, size - 1, min(size, CURVE_POINTS)).astype(int))
    t_s = np.round(curve.t_s[keep] - curve.t_s[-1], 2)
    return LiveCurve(scale, tuple(t_s.tolist()), tuple(np.round(curve.mass_g[keep], 3).tolist()))
