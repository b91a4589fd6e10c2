"""How fast the container loses liquid: what one window shows, weighed against what is likely.

A few seconds of plateau show an idle slope only to some mg/s, which would add more noise than it takes away
where nothing evaporates. So the rate gets a prior of two parts: nothing worth mentioning, or some rate of the
size that open containers of solvent show. Their weights follow from the readings (Bayes), which is the
choice by
evidence; the rate is their mean. Earlier shots on the same scale, once there are some, say it more sharply.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from agent.flow.known import Known

NOTHING_U = 2e-4
"""A rate that is as good as none, g/s (standard uncertainty)."""
NOTHING_WEIGHT = 0.5
"""How likely that is before looking, for a volatile fluid."""
TYPICAL_VOLATILE = 0.010
"""Typical rate of an open container, g/s: 0.4 to 1.5 g/m2/s (Kawamura and Mackay 1987) on 100 to 500 cm2."""
TYPICAL_OTHER = 0.002
"""The same for water and other slow liquids, g/s."""
ELSEWHERE_WEIGHT = 0.1
"""How likely the container was emptied, covered or changed since the earlier shots."""
HIGHEST = 0.15
_GRID = np.concatenate((np.linspace(-0.01, 0.03, 401)[:-1], np.linspace(0.03, HIGHEST, 241)))
_STEP = np.gradient(_GRID)


@dataclass(frozen=True, slots=True)
class Rate:
    """An evaporation rate."""

    known: Known
    """g/s."""
    evident: bool
    """Whether these readings themselves speak for a rate above nothing."""


def weighed(seen: Known, *, volatile: bool, learned: Known | None) -> Rate:
    """The rate, from what a window alone shows (normal likelihood) and the prior, by a sum over a grid."""
    typical = TYPICAL_VOLATILE if volatile else TYPICAL_OTHER
    some = np.where(_GRID > 0, np.exp(-_GRID / typical) / typical, 0.0)
    nothing = _normal(0.0, NOTHING_U)
    prior = NOTHING_WEIGHT * nothing + (1.0 - NOTHING_WEIGHT) * some
    if learned is not None:
        prior = ELSEWHERE_WEIGHT * prior + (1.0 - ELSEWHERE_WEIGHT) * _normal(learned.value, learned.u)
    u = max(seen.u, 2e-5)
    log_likelihood = -0.5 * np.square((_GRID - np.clip(seen.value, _GRID[0], HIGHEST)) / u)
    posterior = prior * np.exp(log_likelihood - log_likelihood.max()) * _STEP
    posterior /= posterior.sum()
    mean = float(posterior @ _GRID)
    u_mean = float(np.sqrt(posterior @ np.square(_GRID - mean)))
    return Rate(Known(mean, u_mean), seen.value > 3.0 * u)


def _normal(mean: float, u: float) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    # Wide enough for the grid to see it.
    wide = max(u, 1.5e-4)
    out: np.ndarray[tuple[int], np.dtype[np.float64]] = np.exp(-0.5 * np.square((_GRID - mean) / wide)) / (
        wide * np.sqrt(2.0 * np.pi)
    )
    return out
