"""What was given already: a late word must not tell a dispense twice."""

from __future__ import annotations

from agent.detection.carving import Found
from agent.detection.placing import Placed
from agent.detection.scale_watch import ScaleWatch
from agent.detection.taken import Taken

SAME_S = 1.5
NEAR_S = 2.0


def was_seen(watch: ScaleWatch, one: Placed) -> bool:
    """Whether the scale alone told this dispense before the controller's late word came."""
    return any(taken.by_curve and (_agree(taken, one) or _is_same(taken, one)) for taken in watch.taken)


def _agree(taken: Taken, one: Placed) -> bool:
    """Whether both clocks' bare times agree: of messages that all came late a clock's offset says nothing."""
    opened, closed = one.told[0].opened, one.told[-1].closed
    if opened is None or closed is None or one.by_arrival:
        return False
    return abs(opened.t_s - taken.from_s) < SAME_S and abs(closed.t_s - taken.to_s) < SAME_S


def is_taken(watch: ScaleWatch, found: Found) -> bool:
    """Whether what the curve shows for half a word was told whole by another."""
    times = found.times
    return any(
        min(times.to_s, taken.to_s) - max(times.from_s, taken.from_s) > 0.5 * (taken.to_s - taken.from_s)
        for taken in watch.taken
    )


def _is_same(taken: Taken, one: Placed) -> bool:
    """Whether a told dispense, or the half of it that is known, is one that was given already."""
    middle_s = 0.5 * (taken.from_s + taken.to_s)
    if one.to_s is None:
        return one.from_s is not None and taken.from_s - NEAR_S < one.from_s < middle_s
    if one.from_s is None:
        return middle_s < one.to_s < taken.to_s + NEAR_S
    shorter_s = min(one.to_s - one.from_s, taken.to_s - taken.from_s)
    common_s = min(one.to_s, taken.to_s + NEAR_S) - max(one.from_s, taken.from_s - NEAR_S)
    return common_s > 0.5 * max(shorter_s, 0.1)
