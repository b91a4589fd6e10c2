"""What happened in a stretch of readings: the offline look, with all of it in sight.

1. Readings become blocks of a quarter second by the median: a tap of one reading is gone.
2. Where neighbouring blocks differ by more than any flow explains, something was knocked, leaned on, put
   down or taken away: a disturbance. It is temporary where the curve goes on afterwards where it would have
   been, else the level was moved.
3. With the disturbances taken out and moved levels brought back, what remains is what flowed.

The push of the jet on the pan comes with the opening and goes with the closing (m' v, some grams): a jump at
a ramp's beginning that goes back at its end is no moved container.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from agent.detection.limits import Limits
from agent.detection.window import Floats

BLOCK_S = 0.25
SIDE_S = 1.0
"""How long a level is looked at on either side of a disturbance."""
PUT_BACK_S = 15.0
"""A lean or a lifted container that is right again within this time is temporary."""
JET_S = 2.5
JET_EARLY_S = 0.7
JET_SMEARS_S = 1.5
"""How long before and after the commanded time a jet's push may be seen: clocks, valves, the scale's filter."""
HALF_STEP = 0.29


@dataclass(frozen=True, slots=True)
class Disturbance:
    """Readings that no flow explains."""

    from_s: float
    to_s: float
    moved_g: float
    """How much the level is off afterwards; 0 where it came back."""
    depth_g: float
    """The largest excursion, with its sign."""


@dataclass(frozen=True, slots=True)
class Rise:
    """Mass that flowed onto a scale."""

    from_s: float
    to_s: float
    mass_g: float
    stirs_s: float
    """The last time the level before was still there."""
    u_stirs_s: float
    """How much later than the flow's beginning that may be, for rounding and noise."""
    broken: bool = False
    """Whether the container was moved in it or too close to it."""

    @property
    def length_s(self) -> float:
        """How long it took."""
        return self.to_s - self.from_s

    @property
    def flow_g_per_s(self) -> float:
        """Its mean flow, roughly."""
        return self.mass_g / max(self.length_s, 0.1)


class Stretch:
    """A stretch of readings, in blocks, with its disturbances found. `t_s` rising; shapes (n,)."""

    __slots__ = ("base_g", "block_s", "disturbances", "limits", "mass_g", "noise_g", "spoiled", "t_s")

    def __init__(
        self, t_s: Floats, mass_g: Floats, limits: Limits, flow_g_per_s: float | None = None
    ) -> None:
        self.limits = limits
        self.t_s, self.mass_g = in_blocks(t_s, mass_g)
        self.block_s = float(np.median(np.diff(self.t_s))) if self.t_s.size > 1 else BLOCK_S
        self.noise_g = noise_of(self.mass_g, limits.resolution_g)
        self.disturbances = self._disturbances(flow_g_per_s)
        self.spoiled = np.zeros(self.t_s.size, dtype=bool)
        self.base_g = self.mass_g.copy()
        for found in self.disturbances:
            self.spoiled |= (self.t_s >= found.from_s) & (self.t_s <= found.to_s)
            self.base_g[self.t_s > found.to_s] -= found.moved_g

    def tolerance_g(self) -> float:
        """Two levels that differ by less are the same."""
        return max(3.0 * self.limits.resolution_g, 6.0 * self.noise_g)

    def level(self, from_s: float, to_s: float) -> float | None:
        """Median of the undisturbed blocks of [from_s, to_s), moved levels brought back; None without any."""
        inside = (self.t_s >= from_s) & (self.t_s < to_s) & ~self.spoiled
        return float(np.median(self.base_g[inside])) if inside.any() else None

    def rise(self, from_s: float, to_s: float) -> Rise | None:
        """The mass that flowed within [from_s, to_s), or None where none did.

        The beginning and the end are where a line through the middle of the ramp meets the levels; for a flow
        too uneven for that, where 3 % and 97 % of the mass had come.
        """
        inside = np.flatnonzero((self.t_s >= from_s) & (self.t_s < to_s) & ~self.spoiled)
        if inside.size < 4:
            return None
        t, m = self.t_s[inside], self.base_g[inside]
        low = float(np.median(m[: _edge(t, 1.5)]))
        high = float(np.median(m[m.size - _edge(-t[::-1], 1.5) :]))
        mass = high - low
        if mass < self.tolerance_g():
            return None
        crossings = [_crossing(t, m, low + share * mass) for share in (0.03, 0.2, 0.8, 0.97)]
        first, early, late, last = crossings
        slope = 0.6 * mass / max(late - early, self.block_s)
        begin, end = early - 0.2 * mass / slope, late + 0.2 * mass / slope
        slack = 0.15 * (last - first) + 0.5
        begin = begin if abs(begin - first) < slack else first
        end = end if abs(end - last) < slack else last
        # A flow that is faster or slower at first than later bends the line: no flow before the curve stirs.
        still = max(1.2 * self.limits.resolution_g, 4.0 * self.noise_g)
        resting = t[(t < early) & (m <= low + still)]
        stirs = float(resting[-1]) if resting.size else begin
        begin = max(begin, stirs)
        end = self._end(t, m, late, end, high, still)
        rise = Rise(begin, end, mass, stirs, still / slope)
        return replace(rise, broken=any(self._breaks(d, rise) for d in self.disturbances))

    def _end(self, t: Floats, m: Floats, late: float, end: float, high: float, still: float) -> float:
        # Where the jet's push goes, the curve falls from its peak to the level: it closed at the peak.
        tail = t > late
        if not tail.any():
            return end
        peak = int(np.argmax(np.where(tail, m, -np.inf)))
        if m[peak] > high + still and t[peak] < end + JET_SMEARS_S:
            return max(end, float(t[peak]))
        resting = t[tail & (m >= high - still)]
        return min(end, float(resting[0])) if resting.size else end

    def _breaks(self, found: Disturbance, rise: Rise) -> bool:
        near = rise.from_s - 2.0 < found.to_s and found.from_s < rise.to_s + 2.0
        return (
            found.moved_g != 0.0
            and near
            and not self.is_jet(found, rise.from_s, rise.to_s, rise.flow_g_per_s)
        )

    def fall_g(self, from_s: float, to_s: float) -> float:
        """How far the undisturbed curve falls below what it had reached before, within [from_s, to_s)."""
        inside = (self.t_s >= from_s) & (self.t_s < to_s) & ~self.spoiled
        m = self.base_g[inside]
        return float(np.max(np.maximum.accumulate(m) - m)) if m.size else 0.0

    def is_jet(self, found: Disturbance, opened_s: float, closed_s: float, flow_g_per_s: float) -> bool:
        """Whether a jump is the jet's push on the pan: up as the gun opens, or down as it closes.

        F = m' v: over g it is the flow times the time of a fall from that speed, 2.5 s at 25 m/s and no more.
        """
        most = JET_S * flow_g_per_s + self.tolerance_g()
        if 0.0 < found.moved_g < most:
            return found.to_s - opened_s > -JET_EARLY_S and found.from_s - opened_s < JET_SMEARS_S
        if -most < found.moved_g < 0.0:
            return found.to_s - closed_s > -JET_EARLY_S and found.from_s - closed_s < JET_SMEARS_S
        return False

    def _disturbances(self, flow_g_per_s: float | None) -> list[Disturbance]:
        t, m = self.t_s, self.mass_g
        if t.size < 5:
            return []
        dt = np.diff(t)
        dm = np.diff(m)
        flow = self._flow(dt, dm) if flow_g_per_s is None else flow_g_per_s
        most = 3.0 * flow * dt + max(4.0 * self.limits.resolution_g, 8.0 * self.noise_g)
        jumps = np.flatnonzero(np.abs(dm) > most)
        spans = _spans(jumps, t, apart_s=0.8)
        still = 1.5 * flow * dt + max(1.2 * self.limits.resolution_g, 5.0 * self.noise_g)
        uneven = 0.5 * flow * BLOCK_S + max(1.2 * self.limits.resolution_g, 5.0 * self.noise_g)
        spans = _joined([_settled(_widened(span, dt, dm, still), t, m, uneven) for span in spans])
        return self._temporary([self._measured(i, j) for i, j in spans])

    def _flow(self, dt: Floats, dm: Floats) -> float:
        # The median of the rising blocks, no more than a flow can be.
        rising = dm > max(0.5 * self.limits.resolution_g, 3.0 * self.noise_g)
        if rising.sum() < 4:
            return self.limits.slowest_g_per_s
        flow = float(np.median(dm[rising] / dt[rising]))
        return min(max(flow, self.limits.slowest_g_per_s), self.limits.fastest_g_per_s)

    def _measured(self, first: int, last: int) -> Disturbance:
        """The disturbance from block `first` (the last good one) to block `last` (the next good one)."""
        t, m = self.t_s, self.mass_g
        before = np.flatnonzero((t <= t[first]) & (t > t[first] - SIDE_S))
        after = np.flatnonzero((t >= t[last]) & (t < t[last] + SIDE_S))
        gap = float(t[last] - t[first])
        slopes = [_slope(t[side], m[side]) for side in (before, after)]
        level = float(np.median(m[before])) + slopes[0] * float(t[first] - np.median(t[before]))
        off = float(np.median(m[after])) - slopes[1] * float(np.median(t[after]) - t[last]) - level
        low, high = sorted((slopes[0] * gap, slopes[1] * gap))
        moved = off - high if off > high else off - low if off < low else 0.0
        tolerance = self.tolerance_g() + 0.5 * abs(slopes[1] - slopes[0]) * SIDE_S
        inside = m[first : last + 1] - level
        depth = float(inside[np.argmax(np.abs(inside))])
        return Disturbance(float(t[first]), float(t[last]), moved if abs(moved) > tolerance else 0.0, depth)

    def _temporary(self, found: list[Disturbance]) -> list[Disturbance]:
        """Join pairs that undo each other: leaned on and let go, lifted and put back."""
        kept: list[Disturbance] = []
        for new in found:
            old = kept[-1] if kept else None
            undone = (
                old is not None
                and old.moved_g * new.moved_g < 0.0
                and new.from_s - old.to_s < PUT_BACK_S
                and abs(old.moved_g + new.moved_g) < max(self.tolerance_g(), 0.02 * abs(new.moved_g))
                and not self._rises_between(old, new)
            )
            if undone and old is not None:
                depth = old.moved_g if abs(old.moved_g) > abs(old.depth_g) else old.depth_g
                kept[-1] = Disturbance(old.from_s, new.to_s, 0.0, depth)
            else:
                kept.append(new)
        return kept

    def _rises_between(self, old: Disturbance, new: Disturbance) -> bool:
        # A jet's push lasts as long as the ramp: what flowed in between must not be thrown away.
        inside = (self.t_s >= old.to_s) & (self.t_s <= new.from_s)
        m = self.mass_g[inside]
        return m.size >= 4 and float(np.median(m[-2:]) - np.median(m[:2])) > self.tolerance_g()


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


def _edge(t: Floats, seconds: float) -> int:
    """How many blocks the first `seconds` have: at least 2, at most a quarter of all."""
    return int(max(2, min(np.searchsorted(t, t[0] + seconds), t.size // 4)))


def _crossing(t: Floats, m: Floats, level: float) -> float:
    """When a rising curve crosses a level: as many blocks above before as below after."""
    votes = np.cumsum(np.where(m >= level, -1, 1))
    at = int(np.argmax(votes))
    if at + 1 >= t.size:
        return float(t[-1])
    rise = m[at + 1] - m[at]
    share = (level - m[at]) / rise if rise > 0.0 else 0.5
    return float(t[at] + min(max(share, 0.0), 1.0) * (t[at + 1] - t[at]))


def _slope(t: Floats, m: Floats) -> float:
    """Slope of a few blocks by the median of all pairs (Theil and Sen); 0 for fewer than three."""
    if t.size < 3:
        return 0.0
    i, j = np.triu_indices(t.size, 1)
    return float(np.median((m[j] - m[i]) / (t[j] - t[i])))


def _spans(
    jumps: np.ndarray[tuple[int], np.dtype[np.int64]], t: Floats, apart_s: float
) -> list[tuple[int, int]]:
    """Jumps k -> k + 1 that stand close, joined: (last good block, next good block)."""
    spans: list[tuple[int, int]] = []
    for k in jumps.tolist():
        if spans and t[k] - t[spans[-1][1]] < apart_s:
            spans[-1] = (spans[-1][0], k + 1)
        else:
            spans.append((k, k + 1))
    return spans


def _widened(span: tuple[int, int], dt: Floats, dm: Floats, still: Floats) -> tuple[int, int]:
    """Take in the foot and the tail of a jump that a scale's filter smears over some blocks."""
    first, last = span
    # Messages that were held up arrive at once after a gap: the jump is the gap's.
    while first > 0 and dt[first - 1] > 2.0 * BLOCK_S:
        first -= 1
    while first > 0 and abs(dm[first - 1]) > still[first - 1]:
        first -= 1
    while last < dm.size and abs(dm[last]) > still[last]:
        last += 1
    return first, last


def _settled(span: tuple[int, int], t: Floats, m: Floats, uneven_g: float) -> tuple[int, int]:
    """Go on until a second's readings lie on a line again that does not fall, on either side."""
    first, last = span
    while last + 3 < t.size and _is_unsettled(t[last : last + 4], m[last : last + 4], uneven_g):
        last += 1
    while first >= 3 and _is_unsettled(t[first - 3 : first + 1], m[first - 3 : first + 1], uneven_g):
        first -= 1
    return first, last


def _is_unsettled(t: Floats, m: Floats, uneven_g: float) -> bool:
    """Whether the inner of four points are off the line through the outer two, or the last is below."""
    share = (t[1:3] - t[0]) / (t[3] - t[0])
    off_g = float(np.max(np.abs(m[1:3] - m[0] - share * (m[3] - m[0]))))
    return off_g > uneven_g or m[3] - m[0] < -uneven_g


def _joined(spans: list[tuple[int, int]]) -> list[tuple[int, int]]:
    joined: list[tuple[int, int]] = []
    for first, last in spans:
        if joined and first <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(last, joined[-1][1]))
        else:
            joined.append((first, last))
    return joined
