"""What flowed in a stretch of readings: the offline look, with all of it in sight.

Readings become blocks of a quarter second by the median: a tap of one reading is gone. Disturbances are taken
out and moved levels brought back; what remains is what flowed.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from agent.detection.blocks import BLOCK_S, Blocks, in_blocks, noise_of
from agent.detection.disturbances import disturbances_in
from agent.detection.limits import Limits
from agent.detection.window import Floats

NEAR_S = 2.0
"""A container moved so close to a ramp was moved in it."""
JET_SMEARS_S = 1.5
"""How long after the closing the fall of a jet's push may be seen."""
EDGE_S = 1.5


@dataclass(frozen=True, slots=True)
class Rise:
    """Mass that flowed onto a scale."""

    from_s: float
    to_s: float
    mass_g: float
    low_g: float
    """The level before."""
    stirs_s: float
    """The last time the level before was still there."""
    rested_s: float
    """The same, not knowing of a knock that followed: the flow began between the two."""
    u_stirs_s: float
    """How much later than the flow's beginning that may be, for rounding and noise."""
    broken: bool = False
    """Whether the container was moved in it or too close to it."""

    @property
    def length_s(self) -> float:
        """How long it took."""
        return self.to_s - self.from_s


class Stretch:
    """A stretch of readings, in blocks, with its disturbances found. `t_s` rising; shapes (n,)."""

    __slots__ = ("base_g", "blocks", "disturbances", "spoiled", "t_s")

    def __init__(self, t_s: Floats, mass_g: Floats, limits: Limits, late_s: float = 0.0) -> None:
        self.t_s, block_g = in_blocks(t_s, mass_g)
        self.blocks = Blocks(self.t_s, block_g, noise_of(block_g, limits.resolution_g), limits, late_s)
        self.disturbances = disturbances_in(self.blocks)
        self.spoiled = np.zeros(self.t_s.size, dtype=bool)
        self.base_g = block_g.copy()
        for found in self.disturbances:
            self.spoiled |= (self.t_s >= found.from_s) & (self.t_s <= found.to_s)
            self.base_g[self.t_s > found.to_s] -= found.moved_g

    def rise(self, from_s: float, to_s: float) -> Rise | None:
        """The mass that flowed within [from_s, to_s), or None where none did.

        The beginning and the end are where a line through the middle of the ramp meets the levels; for a flow
        too uneven for that, where 3 % and 97 % of the mass had come.
        """
        inside = np.flatnonzero((self.t_s >= from_s) & (self.t_s < to_s) & ~self.spoiled)
        if inside.size < 4:
            return None
        t, m = self.t_s[inside], self.base_g[inside]
        low = float(np.median(m[: _edge(t)]))
        high = float(np.median(m[m.size - _edge(-t[::-1]) :]))
        mass = high - low
        if mass < self.blocks.same_g:
            return None
        first, early, late, last = (_crossing(t, m, low + share * mass) for share in (0.03, 0.2, 0.8, 0.97))
        slope = 0.6 * mass / max(late - early, BLOCK_S)
        begin, end = early - 0.2 * mass / slope, late + 0.2 * mass / slope
        slack = 0.15 * (last - first) + 0.5
        begin = begin if abs(begin - first) < slack else first
        end = end if abs(end - last) < slack else last
        # A flow that is faster or slower at first than later bends the line: no flow before the curve stirs.
        still = max(1.2 * self.blocks.limits.resolution_g, 4.0 * self.blocks.noise_g)
        resting = t[(t < early) & (m <= low + still)]
        rested = float(resting[-1]) if resting.size else begin
        stirs = self._after_knock(rested)
        end = _end(t[t > late], m[t > late] - high, end, still, still / slope)
        rise = Rise(max(begin, stirs - still / slope), end, mass, low, stirs, rested, still / slope)
        near = [
            d
            for d in self.disturbances
            if rise.from_s - NEAR_S < d.to_s and d.from_s < rise.to_s + NEAR_S and d.moved_g
        ]
        return replace(rise, broken=bool(near))

    def _after_knock(self, rested_s: float) -> float:
        # Where a knock follows upon rest, the flow may have begun as late as its end.
        ends = [d.to_s for d in self.disturbances if not d.jet and abs(d.from_s - rested_s) < 2.0 * BLOCK_S]
        return max([rested_s, *ends])

    def seen_s(self, rise: Rise) -> float:
        """For how long the undisturbed curve is seen on its way up, between a tenth and nine tenths."""
        share = (self.base_g - rise.low_g) / rise.mass_g
        on_its_way = (share > 0.1) & (share < 0.9) & ~self.spoiled
        on_its_way &= (self.t_s >= rise.from_s - BLOCK_S) & (self.t_s <= rise.to_s + BLOCK_S)
        return float(on_its_way.sum()) * float(np.median(np.diff(self.t_s)))

    def scatter_g(self, rise: Rise) -> float:
        """How far the undisturbed plateaus before and after a rise wander: a standard deviation, robust."""
        sides = ((self.t_s < rise.from_s - BLOCK_S), (self.t_s > rise.to_s + NEAR_S))
        scatters = []
        for side in sides:
            m = self.base_g[side & ~self.spoiled]
            if m.size >= 8:
                scatters.append(1.4826 * float(np.median(np.abs(m - np.median(m)))))
        return min(scatters, default=0.0)

    def fall_g(self, from_s: float, to_s: float) -> float:
        """How far the undisturbed curve falls below what it had reached before, within [from_s, to_s)."""
        inside = (self.t_s >= from_s) & (self.t_s < to_s) & ~self.spoiled
        m = self.base_g[inside]
        return float(np.max(np.maximum.accumulate(m) - m)) if m.size else 0.0


def _end(t: Floats, above_g: Floats, end: float, still: float, u_still_s: float) -> float:
    """The end of a ramp from its last fifth: where the jet's push goes, the curve falls from a peak."""
    if not t.size:
        return end
    peak = int(np.argmax(above_g))
    if above_g[peak] > still and t[peak] < end + JET_SMEARS_S:
        return max(end, float(t[peak]))
    resting = t[above_g >= -still]
    return min(end, float(resting[0]) + u_still_s) if resting.size else end


def _edge(t: Floats) -> int:
    """How many blocks the first second and a half have: at least 2, at most a quarter of all."""
    return int(max(2, min(np.searchsorted(t, t[0] + EDGE_S), t.size // 4)))


def _crossing(t: Floats, m: Floats, level: float) -> float:
    """When a rising curve crosses a level: as many blocks above before as below after."""
    votes = np.cumsum(np.where(m >= level, -1, 1))
    at = int(np.argmax(votes))
    if at + 1 >= t.size:
        return float(t[-1])
    rise = m[at + 1] - m[at]
    share = (level - m[at]) / rise if rise > 0.0 else 0.5
    return float(t[at] + min(max(share, 0.0), 1.0) * (t[at + 1] - t[at]))
