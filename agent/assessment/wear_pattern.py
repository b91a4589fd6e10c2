"""Which kind of change: none, a slow drift, a step, or plugging.

The CUSUM says whether there is a change at all. Then two models with two parameters each are held against the
series by least squares: a level that jumps at one time, and a level that leaves zero at one time and rises
steadily from there. The one that leaves the smaller sum of squares names the pattern; flow that fell is
plugging, however it came about, for no wear makes an orifice smaller. A drift that is known already is taken
as the new normal: a second CUSUM, of what departs from its line, finds a step or plugging on top of it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

from agent.assessment.wear_changes import Changes
from agent.assessment.wear_charts import cusum
from agent.assessment.wear_forecast import Line, fit_line

Floats = NDArray[np.float64]
Pattern: TypeAlias = Literal["none", "drift", "step", "plugging"]

MOST_STARTS = 200
"""So many beginnings of a change are tried at most."""
LOCAL_CHECKS = 40
"""The line that a further change departs from is that of so many checks."""
FEWEST_FOR_LINE = 8


@dataclass(frozen=True, slots=True)
class Shape:
    """How a change came about."""

    pattern: Pattern
    sudden: bool
    begins: int
    """Index of the first check that shows the change."""
    size: float
    """Change at the last check by the model that fits, natural logarithm of the ratio."""
    on_drift: bool = False
    """The change came on top of a drift, and `size` is what departs from its line."""


@dataclass(frozen=True, slots=True)
class Found:
    """What the charts find in a series of changes."""

    shape: Shape | None
    """None while there is no change beyond chance."""
    until: int
    """The drift's line may use the checks before this index."""
    upper: float
    lower: float
    """The two CUSUMs after the last check, in standard deviations."""


def find(changes: Changes, k: float, h: float) -> Found:
    """The change that a CUSUM with reference `k` and limit `h` (standard deviations) finds, and its shape."""
    change, n = changes.change, len(changes.change)
    upper, lower = cusum(change / changes.sigma, 0.0, k, cap=2 * (h + k))
    ends = (float(upper[-1]), float(lower[-1]))
    high = np.flatnonzero(upper > h)
    if len(high) and high[-1] >= FEWEST_FOR_LINE:
        seen = int(high[-1]) + 1
        drift = shape_of(changes.days[:seen], change[:seen])
        if drift.pattern == "drift":
            further = _on_drift(changes, drift, seen, k, h)
            if further is not None:
                return Found(further, further.begins, *ends)
            if seen == n:
                return Found(drift, n, *ends)
    if max(ends) > h:
        return Found(shape_of(changes.days, change), n, *ends)
    return Found(None, n, *ends)


def shape_of(days: Floats, change: Floats) -> Shape:
    """The shape of a change that was found. Arrays of shape (n,), n >= 1."""
    n = len(change)
    if n == 1:
        return _named(float(change[0]), sudden=True, begins=0)
    starts = np.unique(np.linspace(1, n - 1, min(n - 1, MOST_STARTS)).astype(int))
    # The latest checks are tried one by one: that is where a change is found.
    starts = np.union1d(starts, np.arange(max(1, n - 20), n))
    step, at_step, by_step = min((*_step(change, int(start)), int(start)) for start in starts)
    drift, at_drift, by_drift = min((*_hinge(days, change, int(start) - 1), int(start)) for start in starts)
    if step <= drift:
        return _named(at_step, sudden=True, begins=by_step)
    return _named(at_drift, sudden=False, begins=by_drift)


def drift_line(changes: Changes, x: Floats, begins: int, until: int) -> Line | None:
    """The robust line of a drift over `x` (days or grams), from where it begins; None where it has none."""
    begins = min(begins, max(0, until - FEWEST_FOR_LINE))
    return fit_line(x[begins:until], changes.change[begins:until])


def _on_drift(changes: Changes, drift: Shape, seen: int, k: float, h: float) -> Shape | None:
    """A step or plugging on top of a known drift, where the latest checks show one."""
    begins = max(min(drift.begins, seen - FEWEST_FOR_LINE), seen - LOCAL_CHECKS, 0)
    line = fit_line(changes.days[begins:seen], changes.change[begins:seen])
    if line is None:
        return None
    days = changes.days[begins:]
    rest = changes.change[begins:] - (line.intercept + line.slope * days)
    upper, lower = cusum(rest / changes.sigma, 0.0, k, cap=2 * (h + k))
    if max(upper[-1], lower[-1]) <= h:
        return None
    shape = shape_of(days, rest)
    if shape.pattern == "drift":
        return None  # it only rises faster than before
    return Shape(shape.pattern, shape.sudden, begins + shape.begins, shape.size, on_drift=True)


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
