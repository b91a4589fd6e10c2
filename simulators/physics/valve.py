"""The gun's trigger valve: when it lets through how much of its area."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(slots=True)
class Valve:
    """Delays and strokes of an air-operated needle, seconds; a stroke opens the area evenly in time."""

    opens_after_s: float = 0.06
    opening_s: float = 0.04
    closes_after_s: float = 0.05
    closing_s: float = 0.03


@dataclass(frozen=True, slots=True)
class Stroke:
    """One opening of the valve: when it began and, once it is known, when it began to close."""

    opening_from_s: float
    opening_s: float
    closing_from_s: float = np.inf
    closing_s: float = 0.03

    @property
    def shut_s(self) -> float:
        """When nothing flows any more."""
        return self.closing_from_s + self.closing_s

    def open_time_s(self, t_s: Floats) -> Floats:
        """Full-area seconds since the start, at each time: the integral of the open fraction."""
        opened = _ramp_integral(t_s - self.opening_from_s, self.opening_s)
        if np.isfinite(self.closing_from_s):
            # A valve told to close before it has fully opened gives what it had opened so far, and no less.
            opened = np.maximum(opened - _ramp_integral(t_s - self.closing_from_s, self.closing_s), 0.0)
            return np.maximum.accumulate(opened) if opened.size else opened
        return opened

    @property
    def effective_open_s(self) -> float:
        """Full-area seconds of the whole stroke."""
        return float(self.open_time_s(np.array([self.closing_from_s, self.shut_s]))[-1])


def _ramp_integral(x_s: Floats, rise_s: float) -> Floats:
    if rise_s <= 0.0:
        return np.maximum(x_s, 0.0)
    inside = np.clip(x_s, 0.0, rise_s)
    return inside**2 / (2 * rise_s) + np.maximum(x_s - rise_s, 0.0)
