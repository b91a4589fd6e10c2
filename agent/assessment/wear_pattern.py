"""Which kind of change: none, a slow drift, a step, or plugging.

The CUSUM says whether there is a change at all. Then two models with two parameters each are held against the
series by least squares: a level that jumps at one time, and a level that leaves zero at one time and rises
steadily from there. The one that leaves the smaller sum of squares names the pattern; flow that fell is
plugging, however it came about, for no wear makes an orifice smaller.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Pattern: TypeAlias = Literal["none", "drift", "step", "plugging"]


@dataclass(frozen=True, slots=True)
class Shape:
    """How a change came about."""

    pattern: Pattern
    sudden: bool
    begins: int
    """Index of the check where the change begins."""
    size: float
    """Change at the last check by the model that fits, natural logarithm of the ratio."""


def shape_of(days: Floats, change: Floats) -> Shape:
    """The shape of a change that was found. Arrays of shape (n,), n >= 1."""
    n = len(change)
    step, drift = (
        [_step(change, start) for start in range(1, n)],
        [_hinge(days, change, start) for start in range(n - 1)],
    )
    if not step:
        return _named(float(change[-1]), sudden=True, begins=0)
    at_step = min(range(len(step)), key=lambda index: step[index][0])
    at_drift = min(range(len(drift)), key=lambda index: drift[index][0])
    if step[at_step][0] <= drift[at_drift][0]:
        return _named(step[at_step][1], sudden=True, begins=at_step + 1)
    return _named(drift[at_drift][1], sudden=False, begins=at_drift)


def _named(size: float, *, sudden: bool, begins: int) -> Shape:
    pattern: Pattern = "plugging" if size < 0 else "step" if sudden else "drift"
    return Shape(pattern, sudden, begins, size)


def _step(change: Floats, start: int) -> tuple[float, float]:
    """Sum of squares and size with the level zero before `start` and free from there."""
    size = float(change[start:].mean())
    return float(change[:start] @ change[:start] + np.sum((change[start:] - size) ** 2)), size


def _hinge(days: Floats, change: Floats, start: int) -> tuple[float, float]:
    """Sum of squares and size at the end with zero until `start` and a straight line from there."""
    ramp = np.maximum(days - days[start], 0.0)
    squares = float(ramp @ ramp)
    slope = float(ramp @ change) / squares if squares > 0 else 0.0
    residual = change - slope * ramp
    return float(residual @ residual), slope * float(ramp[-1])
