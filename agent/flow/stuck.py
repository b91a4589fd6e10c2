"""A scale that stands still before liquid has ended: its last reading again and again, and no plateau.

A steady scale may show one and the same value at rest. One that scattered before and through the ramp does
not begin to do so in the middle of it: where its noise makes as many equal readings a matter of less than one
in ten thousand, they are no readings.
"""

from __future__ import annotations

import math

import numpy as np

from agent.detection.window import Window
from agent.flow.estimate import Estimate

LEAST_READINGS, LEAST_S = 10, 2.0
"""Fewer equal readings, or in less time, are chance or a slow scale."""
CHANGES = 3
"""A scale that changed its reading so often at rest before is one that scatters."""
CHANCE = 1e-4
CLIP = 4.0


def stuck_from_s(window: Window, found: Estimate, resolution_g: float) -> float | None:
    """Since when the last reading repeats, s from the opening; None where that is no wonder."""
    mass_g, t_s = window.mass_g, found.t_s
    other = np.flatnonzero(mass_g != mass_g[-1])
    first = int(other[-1]) + 1 if other.size else 0
    same = mass_g.size - first
    lasts_s = float(t_s[-1] - t_s[first])
    closed_s = window.closed_s - window.opened_s
    if same < LEAST_READINGS or lasts_s < LEAST_S or not 0.0 < t_s[first] <= closed_s:
        return None
    before = mass_g[t_s < 0.0]
    if np.count_nonzero(np.diff(before)) < CHANGES:
        return None
    ramp = (t_s > max(found.start_s, 0.0)) & (np.arange(mass_g.size) < first)
    # Second differences see neither level nor flow, and their variance is six times that of a reading.
    bent_g = np.abs(np.diff(mass_g[ramp], 2))
    if bent_g.size < LEAST_READINGS:
        return None
    bent_g = bent_g[bent_g <= CLIP * max(float(np.median(bent_g)), 1e-9)]
    noise_g = math.sqrt(max(float(np.mean(np.square(bent_g))) / 6.0 - resolution_g**2 / 12.0, 0.0))
    if noise_g == 0.0:
        return None
    share = math.erf(resolution_g / (2.0 * math.sqrt(2.0) * noise_g))
    return float(t_s[first]) if same * math.log(share) < math.log(CHANCE) else None
