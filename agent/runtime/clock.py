"""Clocks of the running agent: UTC that flows with the monotonic clock, so that a step of the system's
clock never bends a duration.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol


class Clock(Protocol):
    """What the runtime needs of a clock."""

    def now_s(self) -> float:
        """UTC, epoch seconds; never runs backwards but at a re-tie."""

    def retie(self, *, quiet: bool) -> Step | None:
        """Look at the system's clock; follow it. `quiet` says that no dispense is running now."""


@dataclass(frozen=True, slots=True)
class Step:
    """The system's clock was set while we ran."""

    by_s: float
    """Forwards is positive."""
    at_s: float
    """The new time, epoch seconds."""


class TiedClock:
    """UTC tied to the monotonic clock.

    Small differences (a network time service that trims the rate) are followed slowly; a step is followed
    at once when nothing is being measured, else as soon as that is over.
    """

    STEP_S = 0.5
    """A larger difference than this is a step: no time service trims so much between two looks."""
    SLEW_S = 1e-4
    """How far one look may trim: 100 parts per million, a tenth of the least uncertainty of a flow."""

    def __init__(self) -> None:
        self._offset_s = time.time() - time.monotonic()

    def now_s(self) -> float:
        """UTC, epoch seconds."""
        return time.monotonic() + self._offset_s

    def retie(self, *, quiet: bool) -> Step | None:
        """Follow the system's clock; call it about once a second."""
        apart_s = time.time() - self.now_s()
        if abs(apart_s) <= self.STEP_S:
            self._offset_s += max(-self.SLEW_S, min(self.SLEW_S, apart_s))
            return None
        if not quiet:
            return None
        self._offset_s += apart_s
        return Step(by_s=apart_s, at_s=self.now_s())


class BorrowedClock:
    """Somebody else's clock, for demonstrations: a simulated cell's, which runs faster than real time."""

    def __init__(self, now_s: Callable[[], float]) -> None:
        self._now_s = now_s

    def now_s(self) -> float:
        """Epoch seconds of the simulated time."""
        return self._now_s()

    def retie(self, *, quiet: bool) -> Step | None:  # noqa: ARG002  nobody sets a simulated clock
        """Nothing to follow."""
        return None
