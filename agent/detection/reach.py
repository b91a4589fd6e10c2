"""How far a dispense reaches: where it ends, and where its neighbours and moved containers begin."""

from __future__ import annotations

import numpy as np

from agent.detection.blocks import BLOCK_S
from agent.detection.curve import Stretch

BEFORE_S = 15.0
"""So much of the plateau before is given where it is there."""
SETTLE_S = 1.0
"""After a closing so much is no plateau yet; of a neighbour's half the break, where that is shorter."""
DRIPS = 0.06
"""What adds more than this share of the mass afterwards is no drip."""
RUNS_S, RUNS_ON_S, GOES_ON = 4.0, 1.0, 0.6
"""A flow of the last four seconds goes on where each second brings more than this share of it."""


def unmoved_around(stretch: Stretch, from_s: float, to_s: float) -> tuple[float, float]:
    """How far before and after a dispense the container was not moved."""
    moved = [d for d in stretch.disturbances if d.moved_g]
    before = [d.to_s for d in moved if d.to_s <= from_s]
    after = [d.from_s for d in moved if d.from_s >= to_s]
    return max(before, default=float("-inf")), min(after, default=float("inf"))


def runs_on(stretch: Stretch, opened_s: float, closed_s: float) -> float:
    """Until when the curve goes on rising after a told closing as before it: the closing, where it does not.

    Such a closing was told too early; what came after it is no dispense of its own.
    """
    t, base = stretch.t_s[~stretch.spoiled], stretch.base_g[~stretch.spoiled]
    before = (t > max(closed_s - RUNS_S, opened_s + 0.3 * (closed_s - opened_s))) & (t <= closed_s)
    if before.sum() < 4:
        return closed_s
    flow = float(base[before][-1] - base[before][0]) / float(np.ptp(t[before]))
    look_s = max(RUNS_ON_S, 3.0 * float(np.median(np.diff(t))))
    slowest = stretch.blocks.limits.slowest_g_per_s
    if GOES_ON * flow * look_s < stretch.blocks.same_g or flow < slowest:
        return closed_s
    ends_s = closed_s
    for at_s in t[t > closed_s + look_s].tolist():
        over = (t > at_s - look_s - 1e-6) & (t <= at_s)
        if over.sum() < 3 or base[over][-1] - base[over][0] < GOES_ON * flow * np.ptp(t[over]):
            break
        ends_s = at_s
    # What a filter still shows of a flow that ended is no going on.
    return max(closed_s, ends_s - 0.5 * look_s) if ends_s > closed_s + 1.5 * look_s else closed_s


def rises_again(stretch: Stretch, closed_s: float) -> float:
    """When the curve leaves the plateau after a dispense for good: another one that nobody told of.

    A drip adds some percent of the mass; what adds more is no drip.
    """
    t = stretch.t_s
    after = (t > closed_s + SETTLE_S) & ~stretch.spoiled
    rest, base = t[after], stretch.base_g[after]
    if rest.size < 6:
        return float("inf")
    level = float(np.median(base[rest < rest[0] + 1.5]))
    low = stretch.base_g[(t < closed_s) & ~stretch.spoiled]
    came_g = level - float(low.min()) if low.size else 0.0
    drip_g = max(stretch.blocks.same_g, DRIPS * came_g)
    if float(np.min(base[-2:])) < level + drip_g:
        return float("inf")
    resting = rest[base <= level + stretch.blocks.even_g]
    return float(resting[-1]) + 1e-6 if resting.size else float("inf")


def rose_before(stretch: Stretch, opened_s: float) -> float:
    """Since when the plateau before a dispense stands: an earlier one may not have been told yet."""
    t = stretch.t_s
    before = (t < opened_s - BLOCK_S) & (t > opened_s - BEFORE_S) & ~stretch.spoiled
    rest, base = t[before], stretch.base_g[before]
    if rest.size < 6:
        return float("-inf")
    level = float(np.median(base[rest > rest[-1] - 1.5]))
    least_g = max(stretch.blocks.same_g, stretch.blocks.limits.smallest_g)
    below = rest[base < level - least_g]
    return float(below[-1]) + BLOCK_S if below.size else float("-inf")
