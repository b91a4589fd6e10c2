"""A scale that holds its zero: it takes away what evaporates before a shot, and shows nothing of it.

Scales may follow a slow drift near zero (zero tracking, OIML R 76-1: half a step a second, from memory).
A container that was set to zero before each shot then stands still however fast it loses liquid, and only
the plateau after the shot, grams away from zero, shows the loss. So where the readings before stand at zero
and fall more slowly than those after, what they say of the slope is not used: neither their own, nor what
was learned at rest, which may have been held as well.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from agent.detection.window import Floats, Window

AT_ZERO_D = 1.5
"""Readings within so many steps of zero may be held there; a held zero stays within half of one and noise."""
MOST = 0.9
KEPT_S, SETTLED_S = 2.5, 2.5
"""So much of a held plateau is kept, for its level; the slope after is taken from so long after closing."""
CLEAR_S = 0.3
LEAST_READINGS = 10
APART = 1.0
"""Slopes differ from so many standard uncertainties on."""


def without_held_zero(window: Window, resolution_g: float) -> Window:
    """The window without what a held zero hides; as it is where the scale shows no sign of one."""
    before = window.t_s < window.opened_s - CLEAR_S
    after = window.t_s > window.closed_s + SETTLED_S
    if before.sum() < LEAST_READINGS or after.sum() < LEAST_READINGS:
        return window
    if float(np.quantile(np.abs(window.mass_g[before]), MOST)) > AT_ZERO_D * resolution_g:
        return window
    falls, u_falls = _slope(window.t_s[after], window.mass_g[after], resolution_g)
    held = [_slope(window.t_s[before], window.mass_g[before], resolution_g)]
    if window.idle_slope_g_per_s is not None and window.u_idle_slope_g_per_s is not None:
        held.append((window.idle_slope_g_per_s, window.u_idle_slope_g_per_s))
    if all(falls > slope - APART * math.hypot(u_falls, u) for slope, u in held):
        return window
    kept = window.t_s >= window.opened_s - KEPT_S
    return replace(
        window,
        t_s=window.t_s[kept],
        mass_g=window.mass_g[kept],
        stable=None if window.stable is None else window.stable[kept],
        idle_slope_g_per_s=None,
        u_idle_slope_g_per_s=None,
    )


def _slope(t_s: Floats, mass_g: Floats, resolution_g: float) -> tuple[float, float]:
    # Least squares; the noise from what a line leaves over, and no less than rounding.
    since = t_s - t_s.mean()
    spread = float(since @ since)
    slope = float(since @ mass_g) / spread
    left = mass_g - mass_g.mean() - slope * since
    noise = max(math.sqrt(float(left @ left) / max(left.size - 2, 1)), resolution_g / math.sqrt(12.0))
    return slope, noise / math.sqrt(spread)
