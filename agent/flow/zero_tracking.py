"""A scale that holds its zero: it takes away what evaporates before a shot, and shows nothing of it.

Scales may follow a slow drift near zero (zero tracking, OIML R 76-1: half a step a second, from memory).
A container that was set to zero before each shot then stands still however fast it loses liquid, and only
the plateau after the shot, grams away from zero, shows the loss. So where the last readings before stand at
zero and did not fall there from above it or to below it, what they say of the slope is not used: neither
their own, nor what was learned at rest, which may have been held as well. Then the rate is also told as far
up as the plateau after the shot allows.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from agent.detection.window import Floats, Window
from agent.flow.evaporation import Rate

AT_ZERO_D = 1.5
"""Readings within so many steps of zero may be held there; a held zero stays within half of one and noise."""
MOST = 0.9
KEPT_S, SETTLED_S = 2.5, 2.5
"""So much of a held plateau is kept, for its level; the slope after is taken from so long after closing."""
CLEAR_S = 0.3
LEAST_READINGS, LEAST_READINGS_KEPT = 10, 3
FALLS = 2.0
"""A slope is one from so many standard uncertainties on."""
SURE = 1.96
"""Standard uncertainties to the end of a 95 % interval."""


def without_held_zero(window: Window, resolution_g: float) -> Window:
    """The window without what a held zero hides; as it is where the scale shows no sign of one."""
    before = window.t_s < window.opened_s - CLEAR_S
    after = window.t_s > window.closed_s + SETTLED_S
    if before.sum() < LEAST_READINGS or after.sum() < LEAST_READINGS:
        return window
    kept = window.t_s >= window.opened_s - KEPT_S
    last = window.mass_g[before & kept]
    if last.size < LEAST_READINGS_KEPT or float(np.quantile(np.abs(last), MOST)) > AT_ZERO_D * resolution_g:
        return window
    # What falls away from zero is not held: a scale that follows its zero would have taken that away.
    slope, u_slope = _slope(window.t_s[before], window.mass_g[before], resolution_g)
    first_g = float(np.median(window.mass_g[before][: last.size]))
    is_falling = slope < -FALLS * u_slope and float(np.median(last)) < min(first_g, 0.0)
    if is_falling:
        return window
    return replace(
        window,
        t_s=window.t_s[kept],
        mass_g=window.mass_g[kept],
        stable=None if window.stable is None else window.stable[kept],
        is_zero_held=True,
        idle_slope_g_per_s=None,
        u_idle_slope_g_per_s=None,
    )


def seen_after_alone(rate: Rate) -> Rate:
    """The rate, told as far up as the plateau after the shot allows.

    That nothing evaporates is likely where a scale shows nothing; a scale that holds its zero shows nothing
    whatever evaporates.
    """
    if rate.seen is None:
        return rate
    above = max(rate.above, rate.seen.value + SURE * rate.seen.u - rate.known.value)
    u = max(rate.known.u, (rate.below + above) / (2.0 * SURE))
    return replace(rate, known=replace(rate.known, u=u), above=above)


def _slope(t_s: Floats, mass_g: Floats, resolution_g: float) -> tuple[float, float]:
    # Least squares; the noise from what a line leaves over, and no less than rounding.
    since = t_s - t_s.mean()
    spread = float(since @ since)
    slope = float(since @ mass_g) / spread
    left = mass_g - mass_g.mean() - slope * since
    noise = max(math.sqrt(float(left @ left) / max(left.size - 2, 1)), resolution_g / math.sqrt(12.0))
    return slope, noise / math.sqrt(spread)
