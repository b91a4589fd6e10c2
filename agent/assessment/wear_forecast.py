"""When a drift meets its limit: robust regression, and the standard prediction interval turned round."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from agent.assessment.intervals import coverage_factor
from agent.assessment.robust import huber_fit
from agent.assessment.roots import crossing_zero

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Line:
    """A straight line through a series, with what its prediction interval needs."""

    level: float
    """The line's value at `centre`."""
    slope: float
    scale: float
    """Robust standard deviation about the line."""
    n: int
    centre: float
    """Mean of x."""
    squares: float
    """Sum of squares of x, about the mean of its own group."""
    groups: int = 1
    u_level: float | None = None
    """Standard uncertainty of the level; None stands for scale / sqrt(n)."""

    @property
    def dof(self) -> int:
        """Degrees of freedom of the scatter."""
        return self.n - self.groups - 1

    @property
    def u_slope(self) -> float:
        """Standard uncertainty of the slope."""
        return self.scale / math.sqrt(self.squares)

    def at(self, x: float) -> float:
        """The line's value."""
        return self.level + self.slope * (x - self.centre)

    def u_at(self, x: float) -> float:
        """Standard uncertainty of the line's value: sqrt(u_level^2 + s^2 (x - centre)^2 / Sxx)."""
        u_level = self.scale / math.sqrt(self.n) if self.u_level is None else self.u_level
        return math.hypot(u_level, self.u_slope * (x - self.centre))

    def half_width(self, x: float, level: float = 0.95, *, single: bool = True) -> float:
        """Half width of the prediction interval at `x`, for a single further check or for the line itself."""
        u = math.hypot(self.scale, self.u_at(x)) if single else self.u_at(x)
        return coverage_factor(self.dof, level) * u


@dataclass(frozen=True, slots=True)
class Crossing:
    """Where a line meets a limit, on the axis of its x."""

    x: float
    earliest: float
    latest: float | None
    """None where the interval has no end before `furthest`."""


U_POWER = 0.1
"""Standard uncertainty of the power of time that wear goes with, about 1 (judgement, no source)."""
REJECTED_BEYOND = 4.0
"""Checks further from the line than so many robust standard deviations are left out of the final fit."""


def fit_line(
    x: Floats,
    y: Floats,
    group: NDArray[np.int64] | None = None,
    *,
    bend: float = 1.345,
    keep_all: bool = False,
) -> Line | None:
    """Huber's robust regression of y on x; None where x cannot carry a line.

    With the tuning constant `bend`, fitted a second time (unless `keep_all`) without the
    points that the first fit shows to be far away: some plugged checks must not bend the line of a drift.
    With groups, the slope is taken from within them alone (each has a level of its own), so that what links
    them cannot tilt it; the level is that of all points.
    """
    group = np.zeros(len(x), dtype=np.int64) if group is None else group
    line = _huber(x, y, group, bend)
    if line is None:
        return None
    rest = _within(y, group) - line.slope * _within(x, group)
    near = np.abs(rest) <= REJECTED_BEYOND * line.scale
    if keep_all or near.all() or near.sum() < max(4, len(x) // 2):
        return line
    return _huber(x[near], y[near], group[near], bend) or line


def _huber(x: Floats, y: Floats, group: NDArray[np.int64], bend: float) -> Line | None:
    groups = len(np.unique(group))
    inner = _within(x, group)
    squares = float(inner @ inner)
    if len(x) < groups + 3 or squares <= 0:
        return None
    reach = float(np.max(np.abs(inner)))  # of order one, so that days and grams are solved alike
    design = np.column_stack([np.ones_like(x), inner / reach])
    fit = huber_fit(design, _within(y, group), bend)
    offset, slope, scale = float(fit.beta[0]), float(fit.beta[1]) / reach, fit.scale
    if not all(math.isfinite(value) for value in (offset, slope, scale)):
        return None
    # The groups' means took degrees of freedom that the scale does not know of.
    scale *= math.sqrt((len(x) - 2) / (len(x) - groups - 1))
    return Line(float(y.mean()) + offset, slope, scale, len(x), float(x.mean()), squares, groups)


def _within(values: Floats, group: NDArray[np.int64]) -> Floats:
    """Values less the mean of their group."""
    counts = np.bincount(group)
    means = np.bincount(group, weights=values) / np.maximum(counts, 1)
    return np.asarray(values - means[group])


def crossing(
    line: Line, limit: float, *, start: float, now: float, furthest: float, level: float = 0.95
) -> Crossing | None:
    """Where a rising line meets `limit`, from `now` on; None where it does not before `furthest`.

    Its interval is where the prediction interval meets the limit: its upper bound first, its lower last. What
    lies ahead is widened, beyond the standard formula, by `U_POWER`: wear that goes with a power of the time
    since `start` looks like a line for long and still ends elsewhere.
    """
    if line.slope <= 0 or now <= start:
        return None
    meets = max(now, line.centre + (limit - line.level) / line.slope)
    if meets > furthest:
        return None

    power = coverage_factor(None, level) * U_POWER

    def lower(x: float) -> float:
        return line.at(x) * math.pow((x - start) / (now - start), -power) - line.half_width(x, level)

    def upper(x: float) -> float:
        return line.at(x) * math.pow((x - start) / (now - start), power) + line.half_width(x, level)

    earliest = now if upper(now) >= limit else _root(upper, limit, now, meets)
    latest = None
    if lower(furthest) >= limit:
        latest = meets if lower(meets) >= limit else _root(lower, limit, meets, furthest)
    return Crossing(meets, min(earliest, meets), latest)


def _root(curve: Callable[[float], float], limit: float, low: float, high: float) -> float:
    return crossing_zero(lambda x: curve(x) - limit, low, high)
