"""A first, coarse and robust look at a window: levels, times and noise, for the joint fit to start from."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from agent.detection.window import Floats
from agent.flow.noise import spread_by_differences

SETTLE_S = 1.0
"""How long after closing a scale may still settle; of a shorter plateau the last third is used."""

LEAVES_LATE_S = 0.15
"""How much later than the liquid the reading leaves its level, for the lag of a scale."""


@dataclass(frozen=True, slots=True)
class FirstLook:
    """What a glance at the curve tells. Times in seconds from the window's opening."""

    level_g: float
    rise_g: float
    noise_g: float
    """Standard deviation of single readings at rest, by median absolute differences."""
    start_s: float
    length_s: float
    """When liquid seemed to arrive and for how long: by the crossings of a quarter and three quarters."""
    seen: bool
    """Whether there is a rise well above the noise at all."""
    n_before: int
    n_after: int


def first_look(t_s: Floats, mass_g: Floats, length_s: float, resolution_g: float) -> FirstLook:
    """Look at readings whose times count from the opening; `length_s` is where the closing is said to be."""
    before = t_s < 0.0
    after = t_s > length_s + SETTLE_S
    if after.sum() < 3:
        last = t_s[-1] if t_s.size else 0.0
        after = (t_s > length_s) & (t_s >= length_s + 2.0 / 3.0 * (last - length_s))
    level = float(np.median(mass_g[before])) if before.any() else float(mass_g[0])
    end = float(np.median(mass_g[after])) if after.any() else float(mass_g[-1])
    noise = max(
        spread_by_differences(mass_g[before]),
        spread_by_differences(mass_g[after]),
        resolution_g / np.sqrt(12.0),
    )
    rise = end - level
    quarter, three = (_crossing(t_s, mass_g, level + share * rise) for share in (0.25, 0.75))
    # Where it leaves the level: the jet's force would make the line through both crossings begin too early.
    leaves = _crossing(
        t_s, mass_g, level + np.sign(rise) * min(max(6.0 * noise, 0.03 * abs(rise)), 0.25 * abs(rise))
    )
    length = 2.0 * (three - quarter)
    seen = abs(rise) > 6.0 * noise and length > 0.0
    return FirstLook(
        level,
        rise,
        float(noise),
        leaves - LEAVES_LATE_S if seen else 0.0,
        length if seen else length_s,
        seen,
        int(before.sum()),
        int(after.sum()),
    )


def _crossing(t_s: Floats, mass_g: Floats, level_g: float) -> float:
    # The middle of the first reading that is above for good and the last that is below for good, by counting:
    # a bump moves it by no more than its own length.
    if t_s.size < 2:
        return float(t_s[0]) if t_s.size else 0.0
    above = mass_g >= level_g
    rising = mass_g[-1] >= mass_g[0]
    votes = np.cumsum(np.where(above == rising, -1, 1))
    at = int(np.argmax(votes))
    if at + 1 >= t_s.size or mass_g[at + 1] == mass_g[at]:
        return float(t_s[at])
    share = (level_g - mass_g[at]) / (mass_g[at + 1] - mass_g[at])
    return float(t_s[at] + np.clip(share, 0.0, 1.0) * (t_s[at + 1] - t_s[at]))
