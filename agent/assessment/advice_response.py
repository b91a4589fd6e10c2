"""How a gun's flow answers its needle, learned from its own history of settings and flows.

Two checks of one gun at two settings give one observation of the response: the difference in flow over the
difference in setting. Differences of neighbours leave out what moves slowly (wear, temperature). The prior is
the configured response, a log-normal distribution with its mean and standard uncertainty, because a response
is above zero for certain; the posterior is computed on a grid (Bayesian regression through the origin).

Guns of one cell with like needles are alike, though not the same: what the others taught moves the prior of
this one (a hierarchical model: the logarithm of a gun's response is that of its cell with a standard
deviation of `APART`, and that of cells spreads by what is left of the configured prior).

Between two checks a tip may have been cleaned as well, as the agent itself asks, and nobody tells of that. So
a pair may say nothing of the needle (`NOT_NEEDLE`): one that no needle explains is left aside by itself.

Area opens nearly in proportion to needle lift (a cone in a round seat), so flow is nearly linear in the
setting, and the percentage per unit grows as the gun closes: a response of r percent per unit, seen about a
setting m, is r / (1 + r (s - m) / 100) about a setting s.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from agent.contract.plan import Needle

Floats = NDArray[np.float64]

GRID = 401
WIDE = 5.0
"""The grid reaches so many standard deviations of the prior to either side."""
BEND_REL = 0.10
"""Relative standard uncertainty of carrying a response over one unit of setting: the gap is no line."""
BACKLASH_STEPS = 0.5
"""Standard uncertainty of a setting set by hand, in smallest steps."""
APART = 0.2
"""Relative standard deviation between like guns of a cell at like settings (judgement, no source)."""
NOT_NEEDLE, FURTHEST_PCT = 0.05, 200.0
"""Chance that something else moved the flow as well, and how far at most, either way (choice of ours): the
difference of two flows over their mean is never more than 200 %."""
BY_ELSE = NOT_NEEDLE / (2 * FURTHEST_PCT)
"""Likelihood of a pair of which the needle explains nothing, per percent."""
PLAINLY = 3.0
"""A flow is one from so many standard uncertainties on."""
LONGEST_HISTORY = 60
LONGEST_GAP_S = 7 * 86400.0
"""Two checks further apart than this are no longer compared: too much else may have changed."""


@dataclass(frozen=True, slots=True)
class NeedlePoint:
    """A check at a known needle setting."""

    at_s: float
    setting: float
    flow: float
    """g/min, brought to the setup's pot pressure."""
    u: float
    like: object = None
    """Only neighbours with equal `like` (fluid, pressure, parts) are compared with each other."""


@dataclass(frozen=True, slots=True)
class Response:
    """The response about one setting, percent of the flow for one unit: a distribution on a grid."""

    pct_per_unit: Floats
    """Shape (g,), rising, above zero."""
    weight: Floats
    """Shape (g,), sums to one."""
    observations: int
    """Pairs of checks that a needle explains."""
    seen: Floats = field(default_factory=lambda: np.zeros(GRID))
    """Logarithm of the likelihood of this gun's own history, shape (g,)."""
    borrowed: int = 0
    """Observations of other guns that the prior was moved by."""

    @property
    def mean(self) -> float:
        """Posterior mean, percent per unit."""
        return float(self.weight @ self.pct_per_unit)

    @property
    def u(self) -> float:
        """Posterior standard deviation, percent per unit."""
        return math.sqrt(max(0.0, float(self.weight @ self.pct_per_unit**2) - self.mean**2))

    def quantile(self, probability: float) -> float:
        """A quantile of the posterior, percent per unit."""
        return float(np.interp(probability, np.cumsum(self.weight), self.pct_per_unit))


def learn_response(
    history: Sequence[NeedlePoint],
    needle: Needle,
    about: float | None = None,
    others: Sequence[Response] = (),
) -> Response:
    """The response about the setting `about` (default: the latest one) after a gun's history.

    `others` are the responses of other guns of the cell, learned with the same `needle` each about its own
    latest setting. With no usable pair of neighbours and no others it is the configured prior.
    """
    mean, u = needle.response_pct_per_unit, needle.u_response_pct_per_unit
    log_sd = math.sqrt(math.log1p((u / mean) ** 2))
    log_median = math.log(mean) - log_sd**2 / 2
    log_r = log_median + log_sd * np.linspace(-WIDE, WIDE, GRID)
    told = [one for one in others if one.observations]
    log_prior = _log_prior(log_r, log_median, log_sd, told)
    r = np.exp(log_r)
    recent = sorted(history, key=lambda point: point.at_s)[-LONGEST_HISTORY:]
    where = about if about is not None else (recent[-1].setting if recent else 0.0)
    pairs = _pairs(recent, needle)
    each = [_log_likelihood(r, first, second, where, needle) for first, second in pairs]
    seen = np.sum(each, axis=0) if each else np.zeros(GRID)
    weight = np.exp(log_prior + seen - (log_prior + seen).max())
    weight /= weight.sum()
    explained = sum(float(weight @ np.exp(one)) > 2 * BY_ELSE for one in each)
    borrowed = sum(one.observations for one in told)
    return Response(r, weight, explained, seen, borrowed)


def _log_prior(log_r: Floats, log_median: float, log_sd: float, others: Sequence[Response]) -> Floats:
    """The logarithm of a gun's prior on the grid, moved by what the other guns of its cell showed."""
    if not others or log_sd <= APART:
        return np.asarray(-0.5 * ((log_r - log_median) / log_sd) ** 2)
    gun_of_cell = _gun_of_cell(log_sd)
    cell = np.exp(-0.5 * (log_r - log_median) ** 2 / (log_sd**2 - APART**2))
    for one in others:
        cell = cell * (np.exp(one.seen - one.seen.max()) @ gun_of_cell)
        cell /= cell.sum()
    return np.asarray(np.log(np.maximum(gun_of_cell @ cell, np.finfo(float).tiny)))


@lru_cache(maxsize=4)
def _gun_of_cell(log_sd: float) -> Floats:
    """The density of a gun's response (rows) where that of its cell is known (columns), both on the grid."""
    x = log_sd * np.linspace(-WIDE, WIDE, GRID)
    return np.asarray(np.exp(-0.5 * ((x[:, None] - x[None, :]) / APART) ** 2))


def _pairs(points: Sequence[NeedlePoint], needle: Needle) -> list[tuple[NeedlePoint, NeedlePoint]]:
    latest: dict[object, NeedlePoint] = {}
    pairs = []
    for point in points:
        if point.flow <= PLAINLY * point.u or point.flow <= 0:
            continue  # no flow tells nothing of how much of it a needle lets through
        before = latest.get(point.like)
        latest[point.like] = point
        if (
            before is not None
            and abs(point.setting - before.setting) >= 0.99 * needle.smallest_step
            and point.at_s - before.at_s <= LONGEST_GAP_S
        ):
            pairs.append((before, point))
    return pairs


def _log_likelihood(
    r: Floats, first: NeedlePoint, second: NeedlePoint, where: float, needle: Needle
) -> Floats:
    """Of one pair, on the grid of responses about `where`, with errors in both flows and settings."""
    step = second.setting - first.setting
    middle = (first.setting + second.setting) / 2
    flow = (first.flow + second.flow) / 2
    seen_pct = 100 * (second.flow - first.flow) / flow
    carry = 1 + r * (middle - where) / 100
    there = np.where(carry > 0.2, r / np.maximum(carry, 0.2), 5 * r)
    u_flow = 100 * math.hypot(first.u, second.u) / flow
    u_setting = math.sqrt(2) * BACKLASH_STEPS * needle.smallest_step
    bend = BEND_REL * there * step * (abs(middle - where) + abs(step) / 2)
    variance = u_flow**2 + (there * u_setting) ** 2 + bend**2
    by_needle = -0.5 * (seen_pct - there * step) ** 2 / variance - 0.5 * np.log(2 * math.pi * variance)
    return np.asarray(np.logaddexp(math.log1p(-NOT_NEEDLE) + by_needle, math.log(BY_ELSE)))
