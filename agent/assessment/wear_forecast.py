"""When a drift meets its limit: robust regression, and the standard prediction interval turned round."""

from __future__ import annotations

import math
import warnings
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from agent.assessment.intervals import coverage_factor

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Line:
    """A straight line through a series, with what its prediction interval needs."""

    intercept: float
    slope: float
    u_slope: float
    scale: float
    """Robust standard deviation about the line."""
    n: int
    centre: float
    """Mean of x."""
    squares: float
    """Sum of squares of x about its mean."""

    def at(self, x: float) -> float:
        """The line's value."""
        return self.intercept + self.slope * x

    def half_width(self, x: float, level: float = 0.95, *, single: bool = True) -> float:
        """Half width of the prediction interval at `x`.

        t s sqrt(1 + 1/n + (x - mean)^2 / Sxx), for a single further check; without the 1 for the line itself.
        """
        spread = float(single) + 1 / self.n + (x - self.centre) ** 2 / self.squares
        return coverage_factor(self.n - 2, level) * self.scale * math.sqrt(spread)


@dataclass(frozen=True, slots=True)
class Crossing:
    """Where a line meets a limit, on the axis of its x."""

    x: float
    earliest: float
    latest: float | None
    """None where the interval has no end before `furthest`."""


REJECTED_BEYOND = 4.0
"""Checks further from the line than so many robust standard deviations are left out of the final fit."""


def fit_line(x: Floats, y: Floats, bend: float = 1.345) -> Line | None:
    """Huber's robust regression of y on x; None where x cannot carry a line.

    statsmodels' RLM with the tuning constant `bend`, fitted a second time without the points that the first
    fit shows to be far away: some plugged checks must not bend the line of a drift.
    """
    line = _huber(x, y, bend)
    if line is None:
        return None
    near = np.abs(y - line.intercept - line.slope * x) <= REJECTED_BEYOND * line.scale
    if near.all() or near.sum() < max(4, len(x) // 2):
        return line
    return _huber(x[near], y[near], bend) or line


def _huber(x: Floats, y: Floats, bend: float) -> Line | None:
    squares = float(np.sum((x - x.mean()) ** 2))
    if len(x) < 4 or squares <= 0:
        return None
    from statsmodels.robust.norms import HuberT
    from statsmodels.robust.robust_linear_model import RLM

    centre = float(x.mean())
    reach = float(np.max(np.abs(x - centre)))  # of order one, so that days and grams are solved alike
    design = np.column_stack([np.ones_like(x), (x - centre) / reach])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # a perfect fit has scale 0, which RLM warns of and is no fault here
        fit = RLM(y, design, M=HuberT(bend)).fit(maxiter=100)
    level, slope, scale = float(fit.params[0]), float(fit.params[1]) / reach, float(fit.scale)
    if not all(math.isfinite(value) for value in (level, slope, scale)):
        return None
    return Line(level - slope * centre, slope, scale / math.sqrt(squares), scale, len(x), centre, squares)


def crossing(line: Line, limit: float, now: float, furthest: float, level: float = 0.95) -> Crossing | None:
    """Where a rising line meets `limit`, from `now` on; None where it does not before `furthest`.

    Its interval is where the prediction interval meets the limit: its upper bound first, its lower last.
    """
    if line.slope <= 0:
        return None
    meets = max(now, (limit - line.intercept) / line.slope)
    if meets > furthest:
        return None

    def upper(x: float) -> float:
        return line.at(x) + line.half_width(x, level)

    def lower(x: float) -> float:
        return line.at(x) - line.half_width(x, level)

    earliest = now if upper(now) >= limit else _root(upper, limit, now, meets)
    latest = None
    if lower(furthest) >= limit:
        latest = meets if lower(meets) >= limit else _root(lower, limit, meets, furthest)
    return Crossing(meets, min(earliest, meets), latest)


def _root(curve: Callable[[float], float], limit: float, low: float, high: float) -> float:
    from scipy.optimize import brentq

    return float(brentq(lambda x: curve(x) - limit, low, high))
