"""The noise of the readings, found from what the fit leaves over.

At rest and while spraying by themselves: jittering time stamps and a pulsing flow spoil only the ramp.
Readings that a scale's filter has made alike tell less than their number says; their noise is raised by the
square root of the integrated autocorrelation time, so that means over many of them keep an honest
uncertainty.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from agent.detection.window import Floats
from agent.flow.curve import edges

Kept = NDArray[np.bool_]
MOST, WITHIN = 0.8, 3.0
"""This share of the readings lies within so many standard deviations at least."""
MOST_ALIKE = 12.0
"""The autocorrelation time never counts for more than so many readings."""
NEAR_S = 1.5
"""So long before and after the flow a curve may not be the scale's (choice of ours)."""


class Noise(NamedTuple):
    """Shapes (n,)."""

    weighed_g: Floats
    """Standard deviation of each reading as the fit should weigh it: those that are alike count as fewer."""
    spread_g: Floats
    """The same of the reading by itself: a bump is one, however alike the others are."""


def noise_of(
    t_s: Floats, at: Floats, residual_g: Floats, kept: Kept, rounding_g: float, *, first: bool = False
) -> Noise:
    """The noise of each reading; `kept` leaves bumps out.

    At the `first` look, when what is left over is still shape, it is the typical spread, and no account is
    taken of its likeness from reading to reading.
    """
    start, end = edges(at)
    before, after = t_s <= start, t_s >= end
    spraying = ~before & ~after
    spread = typical_spread if first else root_mean_square
    rest = max(spread(residual_g[~spraying & kept]), most_of(residual_g[~spraying]))
    alike = 1.0 if first else max(alikeness(residual_g[part & kept]) for part in (before, after))
    spreads = np.full(t_s.size, max(rest, rounding_g))
    noise = np.sqrt(alike) * spreads
    ramp = residual_g[spraying & kept]
    largest = max(spread(ramp), most_of(residual_g[spraying]), rounding_g, 0.8 * rest)
    noise[spraying] = (1.0 if first else np.sqrt(alikeness(ramp))) * largest
    # Near the flow what is off may be the curve's fault, in a filter of another kind: more is forgiven there.
    near = (t_s > start - NEAR_S) & (t_s < end + NEAR_S)
    spreads[near] = noise[near]
    return Noise(noise, spreads)


def root_mean_square(residual_g: Floats) -> float:
    """Root mean square; 0 for fewer than four."""
    return float(np.sqrt(np.mean(np.square(residual_g)))) if residual_g.size >= 4 else 0.0


def typical_spread(residual_g: Floats) -> float:
    """The standard deviation by the median of the absolute values; 0 for fewer than four."""
    return 1.4826 * float(np.median(np.abs(residual_g))) if residual_g.size >= 4 else 0.0


def spread_by_differences(mass_g: Floats, order: int = 1) -> float:
    """Standard deviation of single readings, by the median of their differences; 0 for fewer than four.

    Differences of neighbours see neither a level nor a slow drift, second ones (`order` 2) no flow either; a
    bump is two or three of many. Their variance is that of a reading times the binomial coefficient of 2
    `order` over `order`: twice, six times.
    """
    if mass_g.size < 4:
        return 0.0
    typical = 1.4826 * float(np.median(np.abs(np.diff(mass_g, order))))
    return typical / math.sqrt(math.comb(2 * order, order))


def most_of(residual_g: Floats) -> float:
    """The least noise that keeps most readings: a fit that takes over a fifth for bumps has gone astray."""
    return float(np.quantile(np.abs(residual_g), MOST)) / WITHIN if residual_g.size >= 4 else 0.0


def alikeness(residual_g: Floats, most: float = MOST_ALIKE) -> float:
    """Integrated autocorrelation time in readings, 1 to `most`, cut where it is no longer significant."""
    n = residual_g.size
    if n < 16:
        return 1.0
    centred = residual_g - np.mean(residual_g)
    power = float(centred @ centred)
    if power <= 0:
        return 1.0
    total, significant = 1.0, 2.0 / np.sqrt(n)
    for lag in range(1, min(n // 4, max(40, int(most)))):
        correlation = float(centred[lag:] @ centred[:-lag]) / power
        if correlation < significant:
            break
        total += 2.0 * correlation
    return min(total, most)
