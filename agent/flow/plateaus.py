"""Plateaus on a scale whose steps are coarser than its noise: what a constant reading really says.

Where the noise is far below the resolution d, readings at rest do not dither: fifty equal readings say no
more than one, that the level lies within half a step of it. Where two values come in turns, they say much
more: the level lies near the edge between them. Both follow from the likelihood of a rounded normal reading,
P(y) = Phi((y + d/2 - level)/s) - Phi((y - d/2 - level)/s), which is summed over a grid of levels, slopes and
noises here. The plateau then enters the joint fit as two stand-in readings that carry the same level, slope
and uncertainties.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from agent.detection.window import Floats

DITHERED = 0.45
"""Spread of the readings over d from which they dither themselves: rounding then hides 0.02 d at most."""
SLOPE_U = 0.02
"""Slopes thought of at rest, g/s (standard uncertainty)."""
LEAST_NOISE = 0.03
"""Least noise thought of before rounding, in d."""
_NOISES = 4
_LEVELS = np.linspace(-0.8, 0.8, 49)
_SLOPES = 9
_BINS = 8


@dataclass(frozen=True, slots=True)
class StandIn:
    """Two readings in place of a plateau's."""

    t_s: tuple[float, float]
    mass_g: tuple[float, float]
    noise_g: float
    """Standard deviation of each of the two."""


def stand_in(
    t_s: Floats, mass_g: Floats, resolution_g: float, most_noise_d: float = DITHERED
) -> StandIn | None:
    """Two readings that say what a plateau says; None where the plateau has fewer than four readings.

    Expects readings at rest, bumps left out. `most_noise_d` is the most their noise can
    be, in steps d: what the ramp showed.
    """
    if t_s.size < 4:
        return None
    from scipy.special import ndtr

    d = resolution_g
    middle, length = 0.5 * (t_s[0] + t_s[-1]), max(float(t_s[-1] - t_s[0]), 1e-3)
    centre = float(np.mean(mass_g))
    when, value, count = _binned(t_s - middle, (mass_g - centre) / d, length)
    reach = min(3.0 * SLOPE_U, 1.5 * d / length + 3.0 * d / (length * math.sqrt(t_s.size)))
    noises = np.geomspace(LEAST_NOISE, most_noise_d, _NOISES)
    slopes = np.linspace(-reach, reach, _SLOPES) / d
    off = value - slopes[:, None] * when
    above = (off[:, None, :] + 0.5 - _LEVELS[None, :, None]) / noises[:, None, None, None]
    chance = ndtr(above) - ndtr(above - 1.0 / noises[:, None, None, None])
    log = np.log(np.maximum(chance, 1e-30)) @ count - 0.5 * np.square(slopes * d / SLOPE_U)[:, None]
    weight = np.exp(log - log.max()).sum(axis=0)
    by_slope, by_level = weight.sum(axis=1), weight.sum(axis=0)
    slope, u_slope = _moments(slopes * d, by_slope)
    # The level's uncertainty at the likely slope: it is what remains once other knowledge tells the slope.
    _, u_level = _moments(_LEVELS * d, weight[int(np.argmax(by_slope))])
    level, _ = _moments(_LEVELS * d, by_level)
    u_level = max(u_level, 0.02 * d)
    u_slope = max(u_slope, u_level / length)
    freed = 1.0 / u_slope**2 - 1.0 / SLOPE_U**2
    u_slope = math.sqrt(1.0 / freed) if freed > 0 else math.inf
    arm = min(0.5 * length, u_level / u_slope) if math.isfinite(u_slope) else 0.0
    rise = slope * arm
    return StandIn(
        (middle - arm, middle + arm),
        (centre + level - rise, centre + level + rise),
        math.sqrt(2.0) * u_level,
    )


def _binned(when: Floats, value: Floats, length: float) -> tuple[Floats, Floats, Floats]:
    # Equal values of one stretch of time count together: the grid is then as cheap for a long plateau.
    stretch = np.minimum(((when / length + 0.5) * _BINS).astype(int), _BINS - 1)
    keys = np.column_stack((stretch, value))
    _, index, count = np.unique(np.round(keys, 6), axis=0, return_inverse=True, return_counts=True)
    index = index.ravel()
    mean_when = np.bincount(index, weights=when) / count
    mean_value = np.bincount(index, weights=value) / count
    return mean_when, mean_value, count.astype(float)


def _moments(grid: Floats, weight: Floats) -> tuple[float, float]:
    share = weight / weight.sum()
    mean = float(share @ grid)
    return mean, max(math.sqrt(float(share @ np.square(grid - mean))), 1e-12)
