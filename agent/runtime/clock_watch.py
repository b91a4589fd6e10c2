"""Follows the system's clock while the agent works: a step is told, what came just before it dated anew."""

from __future__ import annotations

import logging
import time
from dataclasses import replace

from agent.journal.journal import Journal
from agent.pipeline.pipeline import Pipeline
from agent.runtime.clock import Clock
from agent.runtime.happenings import Arrival, Happening
from agent.runtime.keeping import Batch
from agent.runtime.mending import Mender
from agent.runtime.raising import Raising

log = logging.getLogger(__name__)

LOOK_S = 1.0


class ClockWatch:
    """Looks at the clock once a second. Used in the worker's thread alone."""

    def __init__(self, pipeline: Pipeline, journal: Journal, clock: Clock, alarms: Raising) -> None:
        self._pipeline = pipeline
        self._clock = clock
        self._alarms = alarms
        self._mender = Mender(journal, clock)
        self._looked_s = 0.0

    def begin(self, batch: Batch) -> None:
        """At the start: tell where the time cannot be trusted."""
        for fault in self._mender.begin():
            self._alarms.tell(fault, batch)

    def follow(self, batch: Batch) -> float:
        """Before anything of a turn is dated: by how much the clock was set, 0 where it was not."""
        now = time.monotonic()
        if now - self._looked_s < LOOK_S:
            return 0.0
        self._looked_s = now
        measuring = any(line.detector.measuring() for line in self._pipeline.lines.values())
        step = self._clock.retie(quiet=not measuring)
        if step is not None:
            log.warning("the system's clock was set by %+.1f s", step.by_s)
            self._pipeline.clock_set(step.by_s)
            self._alarms.happened("clock-step", f"the clock was set by {step.by_s:+.1f} s", batch)
        for fault in self._mender.look(step):
            self._alarms.tell(fault, batch)
        return step.by_s if step is not None else 0.0

    def dated(self, happening: Happening, moved_s: float) -> Happening:
        """A message that came just before the clock was set is dated by the new clock, as all others are."""
        if not moved_s or not isinstance(happening, Arrival):
            return happening
        arrived_s = happening.message.arrived_s
        if abs(self._clock.now_s() - arrived_s) < abs(moved_s) / 2:
            return happening
        return replace(happening, message=replace(happening.message, arrived_s=arrived_s + moved_s))
