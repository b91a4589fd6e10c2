"""How fast the container loses liquid: what one window shows, weighed against what is likely.

A few seconds of plateau show an idle slope only to some mg/s, which would add more noise than it takes away
where nothing evaporates. So the rate has a prior of several parts: nothing worth mentioning, a small drift of
the scale either way, some rate of the size that open containers show. What the scale showed before, at
rest and in earlier shots, joins the likelihood.
Their weights follow from the readings (Bayes), which is the choice by evidence; the rate is their mean.
All parts
are normal or exponential, so the sums are exact.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from agent.flow.known import Known

NOTHING = (0.8, 1.2e-4)
"""Weight, before looking, of a rate as good as none, and its standard deviation, g/s (choice of ours)."""
ZERO_DRIFT = (0.05, 2e-3)
"""The same for a scale that drifts either way, warming up (choice of ours)."""
TYPICAL_VOLATILE = 0.010
"""Typical rate of an open container, g/s: 0.4 to 1.5 g/m2/s (Kawamura and Mackay 1987) on 100 to 500 cm2."""
TYPICAL_OTHER = 0.002
"""The same for water and other slow liquids, g/s."""
DISAGREES = 3.0
"""What was seen before counts unless it is so many standard uncertainties away: then something changed."""
LEVEL = 0.95
LEAST_U = 1e-5


@dataclass(frozen=True, slots=True)
class Rate:
    """An evaporation rate."""

    known: Known
    """g/s."""
    seen: Known | None = None
    """What these readings alone show, g/s."""
    half_width: float = 0.0
    """Half the width of the interval about `known.value` that holds the rate with 95 % probability, g/s.

    Less than 2 u where most of the probability stands at nothing and a little far away.
    """


@dataclass(frozen=True, slots=True)
class _Part:
    log_evidence: float
    mean: float
    variance: float


def weighed(window: Known, *, volatile: bool, before: tuple[Known, ...] = ()) -> Rate:
    """The rate, from what a window alone shows (a normal likelihood), what was seen before, and the prior.

    `before` are rates seen at rest and in earlier shots, g/s, each with an uncertainty that says how far the
    rate may have changed since; those that disagree with the window are left out.
    """
    seen = Known(window.value, max(window.u, LEAST_U))
    for other in before:
        if abs(other.value - seen.value) <= DISAGREES * math.hypot(other.u, seen.u):
            seen = seen.joined(other)
    value, u = seen.value, seen.u
    typical = TYPICAL_VOLATILE if volatile else TYPICAL_OTHER
    parts = [
        _normal(value, u, NOTHING[0], NOTHING[1]),
        _normal(value, u, ZERO_DRIFT[0], ZERO_DRIFT[1]),
        _exponential(value, u, 1.0 - NOTHING[0] - ZERO_DRIFT[0], typical),
    ]
    highest = max(part.log_evidence for part in parts)
    weights = [math.exp(part.log_evidence - highest) for part in parts]
    total = sum(weights)
    mean = sum(w * part.mean for w, part in zip(weights, parts, strict=True)) / total
    variance = (
        sum(w * (part.variance + (part.mean - mean) ** 2) for w, part in zip(weights, parts, strict=True))
        / total
    )
    half = _half_width(
        mean, math.sqrt(variance), [(w / total, part) for w, part in zip(weights, parts, strict=True)]
    )
    return Rate(Known(mean, math.sqrt(variance)), window, half)


def _half_width(mean: float, u: float, parts: list[tuple[float, _Part]]) -> float:
    # Bisection; a cut normal is near enough its normal here.
    from scipy.special import ndtr

    low, high = 0.0, 5.0 * u
    for _ in range(30):
        half = 0.5 * (low + high)
        inside = 0.0
        for weight, part in parts:
            spread = math.sqrt(part.variance)
            above, below = (mean + half - part.mean) / spread, (mean - half - part.mean) / spread
            inside += weight * float(ndtr(above) - ndtr(below))
        low, high = (half, high) if inside < LEVEL else (low, half)
    return high


def _normal(value: float, u: float, weight: float, spread: float) -> _Part:
    total = u**2 + spread**2
    log = math.log(weight) - 0.5 * math.log(2.0 * math.pi * total) - 0.5 * value**2 / total
    return _Part(log, value * spread**2 / total, u**2 * spread**2 / total)


def _exponential(value: float, u: float, weight: float, typical: float) -> _Part:
    # A normal likelihood times exp(-rate/typical)/typical for rates above 0 is a normal, cut at 0.
    from scipy.special import log_ndtr

    shifted = value - u**2 / typical
    z = shifted / u
    log_mass = float(log_ndtr(z))
    log = math.log(weight / typical) + 0.5 * (u / typical) ** 2 - value / typical + log_mass
    hazard = math.exp(-0.5 * z**2 - 0.5 * math.log(2.0 * math.pi) - log_mass)
    variance = u**2 * (1.0 - hazard * (z + hazard))
    return _Part(log, shifted + u * hazard, max(variance, 1e-3 * u**2))
