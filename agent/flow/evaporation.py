"""How fast the container loses liquid: what one window shows, weighed against what is likely.

A few seconds of plateau show an idle slope only to some mg/s, which would add more noise than it takes away
where nothing evaporates. So the rate has a prior of several parts: nothing worth mentioning, a small drift of
the scale either way, a rate of the size that a hole in a lid lets through, or one that open containers show.
What the scale showed before, at rest and in earlier shots, joins the likelihood.
Their weights follow from the readings (Bayes), which is the choice by evidence; the rate is their mean. Where
the readings say little the weights before looking count, and nobody knows them for a shop. So the uncertainty
is told with wary ones: it covers the rate that a shop with open containers would have (a robust Bayesian's
class of two priors). All parts are normal or exponential, so the sums are exact.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TypeAlias

import numpy as np

from agent.detection.window import Floats
from agent.flow.known import Known

NOTHING = (0.5e-4, 1.1e-4)
"""A rate as good as none, a closed lid's, and its standard deviation, g/s (choice of ours)."""
DRIFT_U = 2e-3
"""Standard deviation of the drift of a scale that is warming up, either way, g/s (choice of ours)."""
THROUGH_A_HOLE = 0.0015
"""Typical rate through a lid's opening, and of slow liquids such as water in an open container, g/s."""
OPEN = 0.015
"""The same of a solvent in an open container: 0.4 to 1.5 g/m2/s (Kawamura and Mackay 1987) on 200 cm2."""
Weights: TypeAlias = tuple[float, float, float, float]
VOLATILE: Weights = (0.80, 0.04, 0.08, 0.08)
OTHER: Weights = (0.85, 0.05, 0.07, 0.03)
"""Weights before looking: none, a drift, through a hole, open (choice of ours: most shops use a lid)."""
WARY: Weights = (0.15, 0.05, 0.55, 0.25)
"""The weights that the uncertainty is told with: it must hold where containers stand open as well."""
STILL = 0.95
"""Chance that a rate seen before is still the rate (choice of ours): else a lid or a draught changed it."""
LEVEL = 0.95
LEAST_U = 1e-5
_REACH = np.linspace(-4.5, 4.5, 46)
"""The distribution is taken so many standard deviations about each part's mean."""


@dataclass(frozen=True, slots=True)
class Rate:
    """An evaporation rate."""

    known: Known
    """g/s."""
    seen: Known | None = None
    """What these readings alone show, g/s."""
    below: float = 0.0
    above: float = 0.0
    """How far the shortest interval that holds the rate with 95 % probability reaches from it, g/s.

    Lopsided where most of the probability stands at nothing and a little far above it (JCGM 101, 5.3.4).
    """


@dataclass(frozen=True, slots=True)
class _Part:
    log_evidence: float
    mean: float
    variance: float
    cut: tuple[float, float] | None = None
    """Mean and standard deviation of the normal that is cut at no evaporation; None where none is cut."""


def weighed(
    window: Known, *, volatile: bool, before: Known | None = None, astray: tuple[float, float] = (0.0, 0.0)
) -> Rate:
    """The rate, from what a window alone shows (a normal likelihood), what was seen before, and the prior.

    `before` is the rate seen at rest and in earlier shots, g/s, with an uncertainty that says how far it may
    have walked since; that it jumped is a hypothesis of its own. `astray` is the chance that something else
    makes the window's slope wrong, and by how much then, g/s: a mixture of two normals.
    """
    chance, by = astray
    seen = Known(window.value, max(window.u, LEAST_U))
    cases = [(1.0 - chance, seen)]
    if chance > 0.0:
        cases.append((chance, Known(seen.value, math.hypot(seen.u, by))))
    usual = _posterior(cases, before, VOLATILE if volatile else OTHER)
    wary = _posterior(cases, before, WARY)
    mean = sum(share * part.mean for share, part in usual)
    u = math.sqrt(sum(share * (part.variance + (part.mean - mean) ** 2) for share, part in wary))
    low, high = _shortest(wary)
    return Rate(Known(mean, u), window, max(mean - low, 0.0), max(high - mean, 0.0))


def log_evidence(seen: Known, *, volatile: bool) -> float:
    """Logarithm of how likely a rate that was seen, g/s, is before looking."""
    return _log_sum(_parts(seen, VOLATILE if volatile else OTHER, 0.0))


def _posterior(
    cases: list[tuple[float, Known]], before: Known | None, weights: Weights
) -> list[tuple[float, _Part]]:
    found: list[_Part] = []
    for chance, seen in cases:
        alone = _parts(seen, weights, math.log(chance))
        if before is None:
            found += alone
            continue
        # Still the same rate: both tell of one. Changed: each tells of its own.
        apart = math.hypot(seen.u, before.u)
        same = -math.log(math.sqrt(2.0 * math.pi) * apart) - 0.5 * ((seen.value - before.value) / apart) ** 2
        found += _parts(seen.joined(before), weights, same + math.log(STILL * chance))
        other = _log_sum(_parts(before, weights, math.log(1.0 - STILL)))
        found += [replace(part, log_evidence=part.log_evidence + other) for part in alone]
    total = _log_sum(found)
    return [(math.exp(part.log_evidence - total), part) for part in found]


def _parts(seen: Known, weights: Weights, log: float) -> list[_Part]:
    value, u = seen.value, seen.u
    parts = (
        _normal(value, u, *NOTHING),
        _normal(value, u, 0.0, DRIFT_U),
        _exponential(value, u, THROUGH_A_HOLE),
        _exponential(value, u, OPEN),
    )
    return [
        replace(part, log_evidence=log + math.log(weight) + part.log_evidence)
        for weight, part in zip(weights, parts, strict=True)
    ]


def _log_sum(parts: list[_Part]) -> float:
    highest = max(part.log_evidence for part in parts)
    return highest + math.log(sum(math.exp(part.log_evidence - highest) for part in parts))


def _shortest(parts: list[tuple[float, _Part]]) -> tuple[float, float]:
    means = np.array([part.mean for _, part in parts])
    spreads = np.sqrt([part.variance for _, part in parts])
    rates = np.sort(np.add.outer(_REACH, means / spreads).ravel() * np.tile(spreads, _REACH.size))
    inside = sum(share * _up_to(rates, part) for share, part in parts)
    left_out = np.linspace(1e-4, 1.0 - LEVEL - 1e-4, 41)
    lows, highs = (np.interp(at, inside, rates) for at in (left_out, left_out + LEVEL))
    at = int(np.argmin(highs - lows))
    return float(lows[at]), float(highs[at])


def _up_to(rates: Floats, part: _Part) -> Floats:
    from scipy.special import log_ndtr, ndtr

    if part.cut is None:
        return np.asarray(ndtr((rates - part.mean) / math.sqrt(part.variance)))
    mean, spread = part.cut
    beyond = log_ndtr((mean - np.maximum(rates, 0.0)) / spread) - log_ndtr(mean / spread)
    return np.asarray(-np.expm1(beyond))


def _normal(value: float, u: float, mean: float, spread: float) -> _Part:
    total = u**2 + spread**2
    log = -0.5 * math.log(2.0 * math.pi * total) - 0.5 * (value - mean) ** 2 / total
    return _Part(log, (value * spread**2 + mean * u**2) / total, u**2 * spread**2 / total)


def _exponential(value: float, u: float, typical: float) -> _Part:
    # A normal likelihood times exp(-rate/typical)/typical for rates above 0 is a normal, cut at 0.
    from scipy.special import log_ndtr

    shifted = value - u**2 / typical
    z = shifted / u
    log_mass = float(log_ndtr(z))
    log = 0.5 * (u / typical) ** 2 - value / typical + log_mass - math.log(typical)
    hazard = math.exp(-0.5 * z**2 - 0.5 * math.log(2.0 * math.pi) - log_mass)
    variance = u**2 * (1.0 - hazard * (z + hazard))
    return _Part(log, shifted + u * hazard, max(variance, 1e-3 * u**2), (shifted, u))
