"""Time stamps: a monotonic clock tied to UTC.

The system's clock may be set while the program runs: by hand, or by a time service after a start without a
battery-backed clock. A time stamp is therefore the monotonic clock plus an offset. The offset follows small
differences slowly, so that no duration is bent by more than `SLEW`; a step is only reported, and whoever
measures decides when to take it. Within a run no time stamp lies before an earlier one.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

from agent.contract.times import is_plausible

STEP_S = 0.5
"""A greater difference is a step and no drift."""
SLEW = 1e-4
"""Seconds per second that the offset may move: a flow is bent by 0.01 % at most."""
SAMPLES = 5


@dataclass(frozen=True, slots=True)
class Step:
    """The system's clock was set."""

    by_s: float
    """How far it now lies from the time stamps; forwards is positive."""


class TiedClock:
    """UTC for instants of the monotonic clock. Not for several threads: each line has its own."""

    def __init__(
        self,
        monotonic: Callable[[], float] = time.monotonic,
        wall: Callable[[], float] = time.time,
    ) -> None:
        self._monotonic = monotonic
        self._wall = wall
        self._offset_s, self._looked_s = self._measured()
        self._last_s = float("-inf")

    def now_s(self) -> float:
        """The monotonic clock, seconds; what `utc_s` takes."""
        return self._monotonic()

    def utc_s(self, monotonic_s: float) -> float:
        """Epoch seconds of an instant of the monotonic clock; never before what was given last."""
        self._last_s = max(self._last_s, monotonic_s + self._offset_s)
        return self._last_s

    def trusted(self) -> bool:
        """Whether the system's clock can have been set: it shows a year from 2000 to 2100."""
        return is_plausible(self._monotonic() + self._offset_s)

    def retie(self) -> Step | None:
        """Compare with the system's clock, about once a second; the step still outstanding, if any."""
        measured_s, at_s = self._measured()
        apart_s = measured_s - self._offset_s
        room_s = SLEW * max(0.0, at_s - self._looked_s)
        self._looked_s = at_s
        if abs(apart_s) > STEP_S:
            return Step(apart_s)
        self._offset_s += max(-room_s, min(room_s, apart_s))
        return None

    def take_step(self) -> None:
        """Follow the system's clock at once. After a step backwards a new run of time stamps begins."""
        measured_s, self._looked_s = self._measured()
        if measured_s < self._offset_s:
            self._last_s = float("-inf")
        self._offset_s = measured_s

    def _measured(self) -> tuple[float, float]:
        """Offset and monotonic time, from the sample in which reading both clocks took least."""
        samples = []
        for _ in range(SAMPLES):
            before_s = self._monotonic()
            wall_s = self._wall()
            after_s = self._monotonic()
            samples.append((after_s - before_s, wall_s - (before_s + after_s) / 2, after_s))
        _, offset_s, at_s = min(samples)
        return offset_s, at_s
