"""Control charts: constants of moving ranges, EWMA, tabular CUSUM, and the CUSUM's average run length.

Sources: ISO 7870-2 and NIST/SEMATECH e-Handbook 6.3.2.2 (individuals), ISO 7870-6 and 6.3.2.4 (EWMA),
ISO 7870-4 and 6.3.2.3 (CUSUM).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from agent.assessment.roots import crossing_zero

Floats = NDArray[np.float64]

D2_OF_TWO = 2 / math.sqrt(math.pi)
"""d2 for ranges of two: 1.128."""
MOVING_RANGE_LIMIT = 3.267
"""D4 for ranges of two."""


def ewma(values: Sequence[float] | Floats, start: float, weight: float) -> Floats:
    """Exponentially weighted moving average, z_t = weight x_t + (1 - weight) z_(t-1), z_0 = `start`."""
    smoothed = np.empty(len(values))
    level = start
    for index, value in enumerate(values):
        level = weight * value + (1 - weight) * level
        smoothed[index] = level
    return smoothed


def cusum(
    values: Sequence[float] | Floats, target: float, k: float, cap: float = math.inf
) -> tuple[Floats, Floats]:
    """The two tabular CUSUMs, upper and lower, in the unit of the values; both start at zero.

    S_hi(i) = max(0, S_hi(i-1) + x_i - target - k), S_lo(i) = max(0, S_lo(i-1) + target - k - x_i).
    `cap` bounds them, so that a chart finds back to normal once the process has.
    """
    upper, lower = np.empty(len(values)), np.empty(len(values))
    high = low = 0.0
    for index, value in enumerate(values):
        high = min(cap, max(0.0, high + value - target - k))
        low = min(cap, max(0.0, low + target - k - value))
        upper[index], lower[index] = high, low
    return upper, lower


def average_run_length(k: float, h: float, shift: float = 0.0, nodes: int = 40) -> float:
    """Average run length of a one-sided CUSUM of unit normal values with reference k and limit h.

    `shift` is the true mean in standard deviations. Solves the integral equation of Page (1954),
    L(z) = 1 + L(0) Phi(k - shift - z) + integral over (0, h) of L(x) phi(x + k - shift - z), by
    Gauss-Legendre quadrature (Crowder and others; the method of the R package spc). From a start of zero.
    """
    from scipy.special import ndtr

    x, w = _gauss_legendre(nodes)
    x, w = h * (x + 1) / 2, h * w / 2
    start = np.append(x, 0.0)
    step = x[None, :] + k - shift - start[:, None]
    kernel = w * np.exp(-0.5 * step**2) / math.sqrt(2 * math.pi)
    matrix = np.eye(nodes + 1)
    matrix[:, :nodes] -= kernel
    matrix[:, nodes] -= ndtr(k - shift - start)
    return float(np.linalg.solve(matrix, np.ones(nodes + 1))[nodes])


def two_sided_run_length(k: float, h: float, shift: float = 0.0) -> float:
    """Average run length of both CUSUMs together: 1/L = 1/L_upper + 1/L_lower (e-Handbook 6.3.2.3.1)."""
    upper = average_run_length(k, h, shift)
    lower = average_run_length(k, h, -shift)
    return 1 / (1 / upper + 1 / lower)


@lru_cache(maxsize=256)
def decision_limit(k: float, run_length: float, baseline: int = 0) -> float:
    """The h with which both CUSUMs together give a false alarm every `run_length` values.

    With the level known only as the mean of `baseline` values (0: known exactly), the rate of false alarms
    is averaged over what that mean may be off by, in Gauss-Hermite quadrature.
    """
    points, weights = np.polynomial.hermite_e.hermegauss(9 if baseline else 1)
    offsets = [float(point) / math.sqrt(max(baseline, 1)) for point in points]
    shares = [float(weight / weights.sum()) for weight in weights]

    def excess(h: float) -> float:
        rate = sum(
            share / two_sided_run_length(k, h, offset) for offset, share in zip(offsets, shares, strict=True)
        )
        return rate * run_length - 1

    low, high = 0.05, 1.0
    if excess(low) < 0:
        return low
    while excess(high) > 0:
        low, high = high, 1.5 * high
    return crossing_zero(excess, low, high, tolerance=1e-5)


@lru_cache(maxsize=8)
def _gauss_legendre(nodes: int) -> tuple[Floats, Floats]:
    x, w = np.polynomial.legendre.leggauss(nodes)
    return x, w
