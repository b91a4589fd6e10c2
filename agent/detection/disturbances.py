"""Readings that no flow explains: knocks, leaning hands, things put down, a container taken away.

Where neighbouring blocks differ by more than three times the flow, something happened; it is over when a
second's readings lie on a line again. Then the level is looked at: where the curve goes on as it would have,
the disturbance was temporary, else the level was moved. Small steps within a ramp `hidden_steps` finds.

The push of the jet on the pan comes with the opening and goes with the closing: F = m' v, over g the flow
times the time of a fall from that speed, 2.5 s at 25 m/s. So much up between rest and flow, or down between
flow and rest, is no moved container.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from agent.detection.blocks import BLOCK_S, FLOWS, SIDE_S, Blocks, Disturbance
from agent.detection.hidden_steps import hidden_steps
from agent.detection.window import Floats

APART_S = 0.8
PUT_BACK_S = 15.0
"""A lean or a lifted container that is right again within this time is temporary."""
SMEARS_S = 2.5
"""Five time constants of a slow filter: so long a knock may be seen."""
JET_S = 2.5
JET_LASTS_S = 2.0
"""A jet's push comes and goes within what a filter smears."""
DEEP = 0.2
"""Share of its depth from which on a disturbance is more than a knock's tail."""
UNEVEN = 0.25
"""Share of a flow by which a real one may differ from a steady one, over a second."""
LEAST_RISING = 8


def disturbances_in(blocks: Blocks) -> list[Disturbance]:
    """All disturbances, in order of time, pairs that undo each other made one."""
    t, m = blocks.t_s, blocks.mass_g
    if t.size < 5:
        return []
    dt, dm = np.diff(t), np.diff(m)
    flow = _usual_flow(blocks, dt, dm)
    most = flow * (3.0 * dt + blocks.late_s) + max(4.0 * blocks.limits.resolution_g, 8.0 * blocks.noise_g)
    still = 1.5 * flow * dt + blocks.even_g
    uneven_g = 2.0 * UNEVEN * flow * BLOCK_S + blocks.even_g
    spans = _spans(np.flatnonzero(np.abs(dm) > most), t)
    spans = _joined([_settled(_widened(span, dt, dm, still), t, m, uneven_g) for span in spans])
    # The sides of one reach to the next and no further.
    ends = [-1, *(last for _, last in spans), t.size]
    begins = [*(first for first, _ in spans), t.size]
    found = [_measured(blocks, span, (ends[k], begins[k + 1])) for k, span in enumerate(spans)]
    hidden = [step for step in hidden_steps(blocks) if not any(_overlap(step, one) for one in found)]
    return _temporary(blocks, sorted([*found, *hidden], key=lambda one: one.from_s), flow)


def _usual_flow(blocks: Blocks, dt: Floats, dm: Floats) -> float:
    """The median of the blocks that rise, as far as that can be a flow.

    What rises for less than two seconds may be a thing put down: there a flow is as large as planned.
    """
    limits = blocks.limits
    rising = dm > max(0.5 * limits.resolution_g, 3.0 * blocks.noise_g)
    rising &= dm <= limits.fastest_g_per_s * dt + limits.resolution_g
    if rising.sum() < LEAST_RISING:
        return limits.planned_g_per_s
    flow = float(np.median(dm[rising] / dt[rising]))
    return min(max(flow, limits.slowest_g_per_s), limits.fastest_g_per_s)


def _measured(blocks: Blocks, span: tuple[int, int], free: tuple[int, int]) -> Disturbance:
    """The disturbance from block span[0] (the last good one) to block span[1] (the next good one).

    What a scale's filter smears of a knock within a ramp looks even: where the curve is back on its way a
    little later, the disturbance lasted until then.
    """
    first, last = span
    found = _between(blocks, span, free)
    later = last
    while found.moved_g and later + 1 < min(blocks.t_s.size, free[1]):
        later += 1
        if blocks.t_s[later] - blocks.t_s[last] > SMEARS_S:
            break
        again = _between(blocks, (first, later), free)
        if not again.moved_g and not again.jet:
            return again
    return found


def _between(blocks: Blocks, span: tuple[int, int], free: tuple[int, int]) -> Disturbance:
    t, m = blocks.t_s, blocks.mass_g
    first, last = span
    at = np.arange(t.size)
    before = (at <= first) & (t > t[first] - SIDE_S) & (at >= free[0])
    after = (at >= last) & (t < t[last] + SIDE_S) & (at <= free[1])
    slope_before, level_before = _line(t[before], m[before], float(t[first]))
    slope_after, level_after = _line(t[after], m[after], float(t[last]))
    gap_s = float(t[last] - t[first])
    low, high = sorted((slope_before * gap_s, slope_after * gap_s))
    fastest = max(abs(slope_before), abs(slope_after))
    if gap_s > SMEARS_S and abs(slope_after - slope_before) > 0.5 * fastest:
        # Over so long a flow that is on one side only says nothing of what happened in between.
        low = high = min(low, high, key=abs)
        fastest = 0.0
    off = level_after - level_before
    moved = off - high if off > high else off - low if off < low else 0.0
    tolerance = blocks.same_g + fastest * (UNEVEN + 0.15 * gap_s + blocks.late_s)
    path = level_before + (off - moved) * (t[first : last + 1] - t[first]) / gap_s
    inside = m[first : last + 1] - path
    depth = float(inside[np.argmax(np.abs(inside))])
    deep_s = gap_s * float(np.mean(np.abs(inside) > DEEP * abs(depth)))
    found = Disturbance(float(t[first]), float(t[last]), moved, depth, deep_s)
    if abs(moved) <= tolerance:
        return replace(found, moved_g=0.0)
    if gap_s < JET_LASTS_S and _is_jet(blocks, found, slope_before, slope_after):
        return replace(found, moved_g=0.0, jet=True)
    return found


def _is_jet(blocks: Blocks, found: Disturbance, slope_before: float, slope_after: float) -> bool:
    flows = FLOWS * blocks.limits.slowest_g_per_s
    if found.moved_g > 0.0:
        rest, flow = slope_before, slope_after
    else:
        rest, flow = slope_after, slope_before
    most = JET_S * flow + blocks.same_g
    return flow > flows and rest < UNEVEN * flow and abs(found.moved_g) < most


def _temporary(blocks: Blocks, found: list[Disturbance], flow: float) -> list[Disturbance]:
    """Join pairs that undo each other: leaned on and let go, lifted and put back, exchanged for another."""
    kept: list[Disturbance] = []
    for new in found:
        old = kept[-1] if kept else None
        if old is None or not _undoes(blocks, old, new, flow):
            kept.append(new)
            continue
        depth = old.moved_g if abs(old.moved_g) > abs(old.depth_g) else old.depth_g
        net = old.moved_g + new.moved_g
        kept[-1] = Disturbance(old.from_s, new.to_s, net if abs(net) > blocks.same_g else 0.0, depth)
    return kept


def _undoes(blocks: Blocks, old: Disturbance, new: Disturbance, flow: float) -> bool:
    if old.moved_g * new.moved_g >= 0.0 or new.from_s - old.to_s > PUT_BACK_S:
        return False
    # Nothing flows into a container that is off the scale: what is put back may weigh something else.
    other = 0.5 * abs(old.moved_g) if old.moved_g < 0.0 else 0.0
    return abs(old.moved_g + new.moved_g) < max(blocks.same_g, UNEVEN * flow, other)


def _overlap(a: Disturbance, b: Disturbance) -> bool:
    return a.from_s < b.to_s + SIDE_S and b.from_s < a.to_s + SIDE_S


def _line(t: Floats, m: Floats, at_s: float) -> tuple[float, float]:
    """Slope by the median of all pairs (Theil and Sen), and the level at a time."""
    if t.size < 3:
        return 0.0, float(np.median(m))
    i, j = np.triu_indices(t.size, 1)
    slope = float(np.median((m[j] - m[i]) / (t[j] - t[i])))
    return slope, float(np.median(m - slope * (t - at_s)))


def _spans(jumps: NDArray[np.int64], t: Floats) -> list[tuple[int, int]]:
    """Jumps k -> k + 1 that stand close, joined: (last good block, next good block)."""
    spans: list[tuple[int, int]] = []
    for k in jumps.tolist():
        if spans and t[k] - t[spans[-1][1]] < APART_S:
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
    return off_g > uneven_g or float(m[3] - m[0]) < -uneven_g


def _joined(spans: list[tuple[int, int]]) -> list[tuple[int, int]]:
    joined: list[tuple[int, int]] = []
    for first, last in spans:
        if joined and first <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(last, joined[-1][1]))
        else:
            joined.append((first, last))
    return joined
