"""Readings in blocks of a quarter of a second, and what does not belong to a flow in them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from agent.detection.limits import Limits
from agent.detection.window import Floats

BLOCK_S = 0.25
SIDE_S = 2.0
"""How long the curve is looked at on either side of a disturbance."""
FLOWS = 0.3
"""Share of the slowest flow from which on a slope is a flow."""
HALF_STEP = 0.29
"""Standard deviation of rounding, in steps of the resolution: 1 over the root of 12."""


@dataclass(frozen=True, slots=True)
class Disturbance:
    """Readings that no flow explains."""

    from_s: float
    to_s: float
    moved_g: float
    """How much the level is off afterwards; 0 where it came back, and for a jet's push."""
    depth_g: float
    """The largest excursion from where the curve would have been, with its sign."""
    deep_s: float = float("inf")
    """How long it was off by a fifth of that: a knock's tail in the scale's filter lasts longer."""
    jet: bool = False
    pause: bool = False
    """Whether a short break in the flow would look alike."""


@dataclass(frozen=True, slots=True, eq=False)
class Blocks:
    """A stretch of readings in blocks, and what is usual there."""

    t_s: Floats
    mass_g: Floats
    noise_g: float
    """Standard deviation of one block."""
    limits: Limits
    late_s: float = 0.0
    """How much later than it was read a reading's time may be: nothing but where arrival is its time."""

    @property
    def same_g(self) -> float:
        """Two levels that differ by less are the same."""
        return max(3.0 * self.limits.resolution_g, 6.0 * self.noise_g)

    @property
    def even_g(self) -> float:
        """Blocks that differ by less do not differ."""
        return max(1.2 * self.limits.resolution_g, 5.0 * self.noise_g)


def in_blocks(t_s: Floats, mass_g: Floats) -> tuple[Floats, Floats]:
    """Medians over quarters of a second: times (mean of the readings') and masses, shapes (k,)."""
    if not t_s.size:
        return t_s, mass_g
    which = np.floor((t_s - t_s[0]) / BLOCK_S).astype(np.int64)
    starts = np.flatnonzero(np.diff(which, prepend=-1))
    counts = np.diff(np.append(starts, t_s.size))
    means = np.add.reduceat(t_s - t_s[0], starts) / counts + t_s[0]
    order = np.lexsort((mass_g, which))
    sorted_g = mass_g[order]
    medians = 0.5 * (sorted_g[starts + (counts - 1) // 2] + sorted_g[starts + counts // 2])
    return means, medians


def noise_of(mass_g: Floats, resolution_g: float) -> float:
    """Standard deviation of one block, by the median of second differences; no less than rounding's."""
    floor = HALF_STEP * resolution_g
    if mass_g.size < 8:
        return floor
    return max(floor, float(np.median(np.abs(np.diff(mass_g, 2)))) / 1.652)
