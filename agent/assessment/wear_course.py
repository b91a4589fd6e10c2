"""The course of a slow change: the new part's level, when the change began, and how fast it goes.

A part wears from its first check on, so the mean of the first checks is not the flow of the new part: with
steady wear it is too high by half of what they wore. The zero is therefore found together with the wear. Two
straight lines meet at a knee: level until there, steady from there. That is two-phase regression, by Bayes:
D. W. Bacon and D. G. Watts, Estimating the transition between two intersecting straight lines, Biometrika 58
(1971) 525-534. Nobody knows the knee, and to choose the likeliest would promise too much. So every check is
tried as the knee, and the answers are averaged, weighted by how probable each is: J. A. Hoeting and others,
Bayesian model averaging: a tutorial, Statistical Science 14 (1999) 382-417. (Both from memory.)

Levels, one for each set of like conditions, and the change have flat priors. Half of the prior says that the
change began with the part (`FROM_NEW`), the other half is spread over the checks. How probable the course is
beside no change, or beside a step, follows Schwarz's criterion (R. E. Kass and A. E. Raftery, Bayes factors,
J. Am. Stat. Assoc. 90 (1995) 773-795; from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from agent.assessment.robust import MAD_OF_NORMAL
from agent.assessment.wear_changes import Changes
from agent.assessment.wear_forecast import REJECTED_BEYOND, Line, fit_line

Floats = NDArray[np.float64]

FROM_NEW = 0.5
"""Prior probability that a change that is slow began with the new part (choice of ours)."""
MOST_KNEES = 100
FEWEST_BEYOND = 5
"""So many checks at least lie beyond the knee: fewer show a slope only by chance (choice of ours)."""
FEWEST_FOR_LINE = 8
SMALLEST_SQUARES = 1e-9
"""Of a curve that goes from zero to one: below it there is rounding alone."""


@dataclass(frozen=True, slots=True)
class Course:
    """A slow change against the new part."""

    zero: float
    """The new part's level, as `Changes.change` counts."""
    u_zero: float
    begins: float
    """Where the change leaves zero, on the axis of x."""
    line: Line
    """The change against the new part, from `begins` on: ratio of flows, less one."""
    beside_none: float
    """Its probability where no change was as likely before any check."""

    def at(self, x: Floats) -> Floats:
        """The whole course as `Changes.change` counts, shape of x: the new part's level until it begins."""
        return self.zero + (1 + self.zero) * self.line.slope * np.maximum(x - self.begins, 0.0)


@dataclass(frozen=True, slots=True)
class _Fitted:
    """One change for each curve that is tried, by least squares with a free level for each group."""

    begins: Floats
    """Where each curve leaves zero, shape (m,)."""
    curves: Floats
    """Shape (m, n); each is zero at first and one at the last check."""
    prior: Floats
    sizes: Floats
    squares: Floats
    """Of the curves within like conditions."""
    left: Floats
    """Sums of squares that are left."""

    def log_odds(self, scale: float) -> float:
        """Logarithm of the odds against no change: a change costs log(n) / 2."""
        gained = self.sizes**2 * self.squares / (2 * scale**2)
        most = float(gained.max())
        return most + math.log(float(self.prior @ np.exp(gained - most))) - math.log(self.curves.shape[1]) / 2

    def posterior(self, scale: float) -> Floats:
        """The probability of each curve."""
        log_weight = np.log(self.prior) - self.left / (2 * scale**2) - np.log(self.squares) / 2
        weight = np.exp(log_weight - log_weight.max())
        return np.asarray(weight / weight.sum())


def course_of(changes: Changes, x: Floats, kept: NDArray[np.int64]) -> Course | None:
    """The course of the checks `kept` over `x`, days or grams, shape (n,) as in `changes`.

    None where they cannot carry one, or where the first check's `x` is not known: then nobody can say how
    much came about before. Checks further off than `REJECTED_BEYOND` standard deviations are left out.
    """
    if not len(kept) or not math.isfinite(x[0]):
        return None
    part = kept[np.isfinite(x[kept])]
    knees = _knees(changes, x, part)
    if knees is None:
        return None
    best = int(knees.left.argmin())
    rest = _within(changes.change[part] - knees.sizes[best] * knees.curves[best], changes.group[part])
    scale = max(changes.sigma, float(np.median(np.abs(rest))) / MAD_OF_NORMAL)
    near = np.abs(rest) <= REJECTED_BEYOND * scale
    if not near.all() and near.sum() >= max(FEWEST_BEYOND, len(part) // 2):
        again = _knees(changes, x, part[near])
        if again is not None:
            part, knees = part[near], again
    return _averaged(changes, x, part, knees)


def course_by_grams(changes: Changes, kept: NDArray[np.int64], by_day: Course) -> Course | None:
    """The course of the checks `kept` over the grams sprayed; None where nobody counted them lately.

    Where those of the first check are not known, the present change is that `by_day`, and the grams that are
    known say how fast it goes on.
    """
    grams, days = changes.grams, changes.days
    if not math.isfinite(grams[-1]):
        return None
    if math.isfinite(grams[0]):
        return course_of(changes, grams, kept)
    part = kept[np.isfinite(grams[kept])]
    begun = part[days[part] >= by_day.begins]
    part = begun if len(begun) >= FEWEST_FOR_LINE else part[-FEWEST_FOR_LINE:]
    known = fit_line(grams[part], changes.change[part], changes.group[part]) if len(part) else None
    if known is None or known.slope <= 0:
        return None
    now, new, today = float(grams[-1]), 1 + by_day.zero, float(days[-1])
    line = replace(
        known,
        level=by_day.line.at(today),
        slope=known.slope / new,
        scale=known.scale / new,
        centre=now,
        u_level=by_day.line.u_at(today),
    )
    return replace(by_day, begins=now - line.level / line.slope, line=line)


def beside_step(changes: Changes, kept: NDArray[np.int64]) -> float:
    """How probable a course is where a step, from any check on, was as likely before any check.

    Both on levels linked to each other: a step may coincide with new conditions.
    """
    y, n = changes.change[kept], len(kept)
    one = np.zeros(n, dtype=np.int64)
    tried = np.unique(np.linspace(1, n - 1, min(n - 1, 2 * MOST_KNEES)).astype(int))
    steps = (np.arange(n) >= tried[:, None]).astype(float)
    knees, prior = _knees_tried(changes.days, kept)
    if not len(knees) or not len(tried):
        return 0.0
    slow = _fitted(y, one, (knees, _ramps(changes.days[kept], knees)), prior)
    sudden = _fitted(y, one, (tried.astype(float), steps), np.full(len(tried), 1 / len(tried)))
    least = min(float(slow.left.min()), float(sudden.left.min()))
    scale = max(changes.sigma, math.sqrt(least / max(1, n - 3)))
    return _probability(slow.log_odds(scale) - sudden.log_odds(scale))


def _averaged(changes: Changes, x: Floats, part: NDArray[np.int64], knees: _Fitted) -> Course | None:
    """The average over the knees, as one line whose variance holds what they differ by."""
    n, group = len(part), changes.group[part]
    levels = len(np.unique(group))
    dof = max(1, n - levels - 2)
    scale = max(changes.sigma, math.sqrt(float(knees.left.min()) / dof))
    weight = knees.posterior(scale)
    now = float(x[part[-1]])
    reach = now - knees.begins
    sizes, slopes, var = knees.sizes, knees.sizes / reach, scale**2 / knees.squares
    size, slope = float(weight @ sizes), float(weight @ slopes)
    var_size = float(weight @ (var + (sizes - size) ** 2))
    covariance = float(weight @ (var / reach + (sizes - size) * (slopes - slope)))
    var_slope = float(weight @ (var / reach**2 + (slopes - slope) ** 2))
    first = group == changes.group[0]
    if slope == 0 or not first.any():
        return None
    lifted = knees.curves[:, first].mean(axis=1)
    zeros = float(changes.change[part][first].mean()) - sizes * lifted
    zero = float(weight @ zeros)
    var_zero = float(weight @ (scale**2 / first.sum() + var * lifted**2 + (zeros - zero) ** 2))
    new = 1 + zero  # what is counted from the mean of the first checks, counted from the new part
    # The variance of the line is a parabola: it is told by its lowest point, and by how it widens from there.
    back = covariance / var_slope
    line = Line(
        (size - slope * back) / new,
        slope / new,
        scale / new,
        n,
        now - back,
        scale**2 / var_slope,
        levels,
        u_level=math.sqrt(max(0.0, var_size - covariance * back)) / new,
    )
    beside_none = _probability(knees.log_odds(scale))
    return Course(zero, math.sqrt(var_zero), now - size / slope, line, beside_none)


def _probability(log_odds: float) -> float:
    return 1 / (1 + math.exp(-min(max(log_odds, -500.0), 500.0)))


def _knees_tried(x: Floats, part: NDArray[np.int64]) -> tuple[Floats, Floats]:
    """The knees that are tried, the new part's first check before all others, and their prior weights."""
    at = x[part]
    last = max(0, len(at) - 1 - FEWEST_BEYOND)
    tried = np.unique(np.linspace(1, last, min(last, MOST_KNEES)).astype(int))
    stands_for = np.diff(tried, append=last + 1).astype(float)  # thinned out, each stands for its neighbours
    knees = np.concatenate([x[:1], at[tried]])
    prior = np.concatenate([[FROM_NEW], (1 - FROM_NEW) * stands_for / max(1, last)])
    inside = knees < at[-1]
    return knees[inside], prior[inside]


def _knees(changes: Changes, x: Floats, part: NDArray[np.int64]) -> _Fitted | None:
    """Every knee, by least squares; None for too few checks at like conditions."""
    if len(part) < FEWEST_BEYOND + len(np.unique(changes.group[part])) - 1:
        return None
    knees, prior = _knees_tried(x, part)
    fitted = _fitted(changes.change[part], changes.group[part], (knees, _ramps(x[part], knees)), prior)
    return fitted if len(fitted.begins) else None


def _ramps(at: Floats, knees: Floats) -> Floats:
    return np.asarray(np.maximum(at - knees[:, None], 0.0) / (at[-1] - knees[:, None]))


def _fitted(y: Floats, group: NDArray[np.int64], tried: tuple[Floats, Floats], prior: Floats) -> _Fitted:
    """Least squares with each of the curves `tried` (where they begin, and the curves)."""
    begins, curves = tried
    inner = _within(curves, group)
    squares = np.sum(inner**2, axis=1)
    # A curve that is level in every set of conditions says nothing.
    telling = squares > SMALLEST_SQUARES
    begins, curves, prior, squares = begins[telling], curves[telling], prior[telling], squares[telling]
    y = _within(y, group)
    sizes = inner[telling] @ y / squares
    left = np.maximum(0.0, float(y @ y) - sizes**2 * squares)
    return _Fitted(begins, curves, prior / prior.sum(), sizes, squares, left)


def _within(values: Floats, group: NDArray[np.int64]) -> Floats:
    """Values less the mean of their group, along the last axis."""
    order = np.argsort(group, kind="stable")
    starts = np.flatnonzero(np.diff(group[order], prepend=-1))
    means = np.add.reduceat(values[..., order], starts, axis=-1) / np.diff(starts, append=len(group))
    return np.asarray(values - means[..., np.searchsorted(group[order][starts], group)])
