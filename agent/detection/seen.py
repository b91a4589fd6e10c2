"""Dispenses that the scale alone tells: no controller, or its word was lost."""

from __future__ import annotations

import numpy as np

from agent.contract.plan import Cell
from agent.detection.blocks import in_blocks
from agent.detection.carving import Found, room_around
from agent.detection.gate import Activity
from agent.detection.locating import by_curve
from agent.detection.naming import Namer
from agent.detection.placing import Placed
from agent.detection.scale_watch import ScaleWatch
from agent.detection.taken import AFTER_S, BEFORE_S, Taken
from agent.detection.window import Window

ALONE_PLATEAU_S = 10.0
"""Plateau waited for where there is no controller, and as long again as it takes the gate to see the next
flow begin, which must not be taken for plateau. What was leaned on is let go by then."""
BELATED_S = 12.0
"""A controller's word may come so late before the curve is taken to be all there is."""
RETURN_S = 12.0
"""A next activity is watched until it is over, or for so long: it may take back the one before."""
LEANS_S = 15.0
"""Nobody leans on a scale for longer."""
SHARE_OF_NEIGHBOUR = 0.1
"""What follows a dispense within the same activity and brings less than this share of it is its drip."""


class Seen:
    """Finds dispenses in the activities of a scale that no controller's word accounts for."""

    def __init__(self, cell: Cell, namer: Namer) -> None:
        self._wait_s = BELATED_S if cell.has_controller else ALONE_PLATEAU_S
        self._namer = namer

    def windows(
        self, watch: ScaleWatch, waiting: list[Placed], now_s: float, *, silent: bool, final: bool
    ) -> list[Window]:
        """Windows of the activities that are over and not accounted for."""
        windows: list[Window] = []
        activities = list(watch.gate.activities)
        for i, activity in enumerate(activities):
            if activity.done or (activity.to_s is None and not final):
                continue
            following = activities[i + 1] if i + 1 < len(activities) else None
            if _is_awaited(activity, waiting) and not final:
                continue
            if not (silent or self._is_over(watch, activity, following)):
                continue
            activity.done = True
            known_s = watch.last_t_s - (0.0 if silent or final else watch.limits.break_s)
            before = activities[i - 1] if i > 0 else None
            for found in _found(watch, activity, (before, following), known_s):
                watch.take(Taken(found.times.from_s, found.times.to_s, by_curve=True, mass_g=found.mass_g))
                windows.append(self._namer.seen(watch, found, now_s))
        return windows

    def _is_over(self, watch: ScaleWatch, activity: Activity, following: Activity | None) -> bool:
        assert activity.to_s is not None  # noqa: S101  (asked only of activities that ended)
        if watch.last_t_s < activity.to_s + self._wait_s + watch.limits.break_s:
            return False
        if following is None or following.to_s is not None:
            return True
        return watch.last_t_s >= following.from_s + RETURN_S


def _is_awaited(activity: Activity, waiting: list[Placed]) -> bool:
    """Whether an event that is not accounted for yet may explain this activity."""
    for one in waiting:
        from_s = one.from_s if one.from_s is not None else activity.from_s
        to_s = one.to_s if one.to_s is not None else one.until_s
        if to_s is None:
            to_s = float("inf")
        if activity.from_s < to_s + 3.0 and (activity.to_s is None or activity.to_s > from_s - 3.0):
            return True
    return False


def _found(
    watch: ScaleWatch, activity: Activity, beside: tuple[Activity | None, Activity | None], known_s: float
) -> list[Found]:
    before, following = beside
    rested_s = float("-inf")
    if before is not None and before.to_s is not None:
        # On a coarse scale the last steps of a slow flow come late.
        rested_s = min(before.to_s + 0.5 * watch.limits.break_s, activity.from_s)
    end_s = activity.to_s if activity.to_s is not None else watch.last_t_s
    found: list[Found] = []
    for from_s, to_s, neighbour_g in _unexplained(watch, activity.from_s, end_s):
        next_s = _onset_s(watch, following) if following is not None else known_s
        if to_s < end_s:
            next_s = to_s
        one = by_curve(watch, from_s, to_s, room_around(watch, from_s, to_s, next_s), rested_s)
        if one is None or one.mass_g < SHARE_OF_NEIGHBOUR * neighbour_g:
            continue
        if neighbour_g > 0.0 and "container_moved" in one.notes:
            continue
        if following is not None and _is_taken_back(watch, one, following):
            continue
        found.append(one)
    return found


def _onset_s(watch: ScaleWatch, activity: Activity) -> float:
    """When an activity begins: the gate knows it only to within its memory."""
    t, mass = in_blocks(
        *watch.ring.between(activity.from_s - 1.0, activity.from_s + watch.limits.break_s + 1.0)
    )
    rest = mass[t < activity.from_s + 0.5]
    if not rest.size:
        return activity.from_s
    band_g = max(2.2 * watch.limits.resolution_g, 5.0 * watch.gate.noise_g)
    off_g = np.abs(mass - np.median(rest))
    moving = np.flatnonzero(off_g > band_g)
    if not moving.size:
        return activity.from_s
    # On a coarse scale the first steps stay within the band: it moves from the last one at rest on.
    resting = np.flatnonzero(off_g[: moving[0]] < 0.3 * band_g)
    return float(t[resting[-1]]) if resting.size else activity.from_s


def _unexplained(watch: ScaleWatch, from_s: float, to_s: float) -> list[tuple[float, float, float]]:
    """Parts of an activity that no dispense given so far accounts for, each with its neighbour's mass."""
    parts = [(from_s, to_s, 0.0)]
    for taken in watch.taken:
        begin, end = taken.from_s - BEFORE_S, taken.to_s + AFTER_S
        cut: list[tuple[float, float, float]] = []
        for a, b, mass_g in parts:
            if end <= a or begin >= b:
                cut.append((a, b, mass_g))
                continue
            cut += [(a, begin, max(mass_g, taken.mass_g))] if begin > a else []
            cut += [(end, b, max(mass_g, taken.mass_g))] if end < b else []
        parts = cut
    return [part for part in parts if part[1] - part[0] >= watch.limits.shortest_s]


def _is_taken_back(watch: ScaleWatch, found: Found, following: Activity) -> bool:
    """Whether the curve soon falls by just what it had risen: a hand that leaned and let go."""
    at_s = following.from_s
    _, before = watch.ring.between(at_s - 2.0, at_s)
    over_s = following.to_s if following.to_s is not None else at_s + RETURN_S - 2.0
    _, after = watch.ring.between(over_s, over_s + 2.0)
    _, during = watch.ring.between(at_s, over_s)
    if not before.size or not after.size or at_s - found.times.to_s > LEANS_S:
        return False
    fall_g = float(np.median(before) - np.median(after))
    # A container that is taken away falls by more, even where the next one happens to weigh as little.
    if during.size and float(np.median(before) - during.min()) > 2.0 * found.mass_g:
        return False
    return 0.75 * found.mass_g <= fall_g <= 1.25 * found.mass_g
