"""A dispense's readings cut out of a scale's: plateau, ramp, plateau, and nothing of its neighbours."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from agent.detection.curve import Rise, Stretch
from agent.detection.disturbances import BLOCK_S, Disturbance
from agent.detection.placing import Placed
from agent.detection.scale_watch import ScaleWatch
from agent.detection.window import Floats

BEFORE_S = 15.0
AFTER_S = 15.0
"""So much of the plateaus is given where it is there."""
SETTLE_S = 1.0
"""After a neighbour's closing so much is left out, or half the break where that is shorter."""
SHORTEST_PLATEAU_S = 0.8
EARLY_S, LATE_S = -0.6, 1.0
"""How much earlier or later than the commanded opening a curve may stir: valve, way through the air and the
scale's filter make it late by some tenths of a second, never early but for what the clocks are uncertain."""
USUAL_LATE_S = 0.2
LAG_S = 0.5
"""So late a slow scale's filter may show what came."""
ENOUGH_S = 4.0
"""With so much plateau beside the dispense, what lies beyond a handled container is not needed."""
PARTED_S = 8.0
JUMP_S = 1.0
SPOILS_S = 2.2
"""A knock is over in a second, its tail in the scale's filter in another."""
HELD_UP_S = 1.0
"""So long a network holds a message up now and then."""
DRIPS = 0.06
SEEN = 0.4
"""So much of a ramp must be seen undisturbed: what is only more afterwards than before was put there."""
REACH_S = 6.0
"""How far the curve may correct the controller's clock."""


U_CURVE_S = 0.3
"""Standard uncertainty of times that the curve told, on a fine scale."""


@dataclass(frozen=True, slots=True)
class Room:
    """How far a dispense may reach: its neighbours' ends. Scale's clock."""

    from_s: float
    to_s: float


@dataclass(frozen=True, slots=True)
class Times:
    """When a gun was open, on the scale's clock."""

    from_s: float
    to_s: float
    open_s: float | None = None
    """Commanded open time, None where the curve has to say."""
    u_s: float = U_CURVE_S
    """Standard uncertainty of `from_s` and `to_s`."""


@dataclass(frozen=True, slots=True)
class Kept:
    """Which of a scale's readings belong to a dispense."""

    from_s: float
    to_s: float
    left_out: tuple[tuple[float, float], ...]
    """Stretches of a plateau that something leaned on."""

    def mask(self, t_s: Floats) -> NDArray[np.bool_]:
        """Which of these times are not left out."""
        keep = np.ones(t_s.size, dtype=bool)
        for begin, end in self.left_out:
            keep &= (t_s < begin) | (t_s > end)
        return keep


@dataclass(frozen=True, slots=True)
class Found:
    """A dispense found in the readings, before it is named."""

    times: Times
    rise: Rise | None
    notes: frozenset[str]
    kept: Kept

    @property
    def mass_g(self) -> float:
        """What the curve rose by, roughly; 0 where nothing came."""
        return self.rise.mass_g if self.rise is not None else 0.0


def room_around(watch: ScaleWatch, from_s: float, to_s: float, next_s: float | None) -> Room:
    """The room of a dispense between the one before it and the next opening."""
    ends = [taken.to_s for taken in watch.taken if taken.to_s <= from_s + 0.5 * (to_s - from_s)]
    low = float("-inf")
    if ends:
        end = max(ends)
        low = end + min(SETTLE_S, 0.5 * max(from_s - end, 0.0))
    high = watch.last_t_s + 1e-6
    if next_s is not None:
        high = min(high, max(next_s, to_s))
    return Room(low, high)


def by_controller(watch: ScaleWatch, placed: Placed, room: Room) -> Found | None:
    """Cut out what the controller told; None where it told too little and the curve shows nothing."""
    if placed.from_s is None or placed.to_s is None:
        return _half_told(watch, placed, room)
    stretch = _stretch(watch, placed.from_s, placed.to_s, room)
    clear = _unmoved(stretch, placed.from_s, placed.to_s)
    rise = stretch.rise(clear[0], min(clear[1], _rises_again(stretch, placed.to_s)))
    from_s, to_s, u_s, open_s = placed.from_s, placed.to_s, placed.u_s, placed.open_s
    if rise is not None and open_s is not None:
        shift_s = _shift_s(stretch, rise, from_s, to_s)
        if shift_s:
            from_s, to_s, u_s = from_s + shift_s, to_s + shift_s, _u_s(rise)
    return _found(watch, stretch, room, Times(from_s, to_s, open_s, u_s), rise)


def _shift_s(stretch: Stretch, rise: Rise, from_s: float, to_s: float) -> float:
    """How far the curve says the controller's times are off; 0 where they may be right.

    Both ends must say the same, and where the curve stirs before the opening it must have come up by most of
    what flowed since: a knock or a draught shortly before may look like the beginning.
    """
    late_s = rise.stirs_s - from_s
    if late_s >= EARLY_S and rise.rested_s - from_s <= LATE_S + rise.u_stirs_s:
        return 0.0
    if abs(rise.to_s - to_s - late_s) > max(1.2, 0.05 * (to_s - from_s)) + rise.u_stirs_s:
        return 0.0
    if late_s < 0.0:
        came = stretch.base_g[(stretch.t_s > from_s - 0.6) & (stretch.t_s <= from_s)]
        flow = rise.mass_g / max(rise.length_s, 0.1)
        due_g = 0.7 * (-late_s - LAG_S) * flow
        if not came.size or float(came[-1]) - rise.low_g < max(due_g, stretch.blocks.same_g):
            return 0.0
        if stretch.fall_g(rise.stirs_s, from_s + 0.3) > max(stretch.blocks.even_g, -0.1 * late_s * flow):
            return 0.0
    return late_s - USUAL_LATE_S


def _u_s(rise: Rise) -> float:
    """Standard uncertainty of a rise's beginning and end: on a coarse scale it shows late."""
    return max(U_CURVE_S, 0.6 * rise.u_stirs_s)


def by_curve(
    watch: ScaleWatch, from_s: float, to_s: float, room: Room, rested_s: float = float("-inf")
) -> Found | None:
    """Cut out what the scale alone shows to be a dispense between two times; None where it is none.

    It must bring the least mass that counts and stand out of how the plateaus wander, take the shortest time
    that counts, flow no faster and no slower than any gun of the site, be seen on its way up, and never fall
    back by a fifth; after a moved container it must last twice as long, because what a filter smears of a
    step looks like a short ramp, and must leave more than there was: what was lifted and let down again does
    not. `rested_s` is when the scale came to rest before.
    """
    stretch = _stretch(watch, from_s, to_s, room)
    limits = watch.limits
    low = max(room.from_s, from_s - BEFORE_S, rested_s)
    # The gate looks back over `break_s`: what rose outside of the activity is something else.
    slack_s = limits.break_s + 1.0
    begin, end = _unmoved(stretch, from_s + limits.break_s, to_s)
    rise = stretch.rise(max(low, begin), min(room.to_s, to_s + AFTER_S, end))
    if rise is None:
        return None
    least_g = max(limits.smallest_g, 8.0 * stretch.blocks.noise_g, 6.0 * stretch.scatter_g(rise))
    if rise.mass_g < least_g:
        return None
    if rise.to_s < from_s or rise.from_s > to_s or rise.from_s < from_s - slack_s:
        return None
    flow = rise.mass_g / max(rise.length_s, 1e-6)
    shortest = limits.shortest_s * (2.0 if rise.broken else 1.0)
    if stretch.seen_s(rise) < SEEN * rise.length_s:
        return None
    if rise.length_s < shortest or not 0.3 * limits.slowest_g_per_s <= flow <= limits.fastest_g_per_s:
        return None
    if stretch.fall_g(rise.from_s, rise.to_s) > max(0.2 * rise.mass_g, stretch.blocks.same_g):
        return None
    if begin > from_s and abs(_net_g(stretch, from_s, to_s)) < 0.25 * rise.mass_g:
        return None
    if rise.broken and rise.mass_g < 0.03 * max(abs(d.depth_g) for d in stretch.disturbances):
        return None
    return _found(watch, stretch, room, Times(rise.from_s, rise.to_s, u_s=_u_s(rise)), rise)


def _net_g(stretch: Stretch, from_s: float, to_s: float) -> float:
    """What the scale shows more after than before."""
    t, shown = stretch.t_s, stretch.blocks.mass_g
    before, after = shown[(t >= from_s - 2.0) & (t < from_s)], shown[(t >= to_s) & (t < to_s + 2.0)]
    return float(np.median(after) - np.median(before)) if before.size and after.size else float("inf")


def torn_apart(watch: ScaleWatch, placed: Placed, usual_s: float | None) -> list[Placed]:
    """A told dispense as it is, or the two it was where a closing and an opening in between were lost.

    Two rises with a break between them are two where the time told is far longer than usual; where nothing
    is usual yet, where the break is longer than air or an empty pot interrupts a spray.
    """
    if placed.from_s is None or placed.to_s is None:
        return [placed]
    told_s = placed.to_s - placed.from_s
    if told_s < PARTED_S or (usual_s is not None and told_s < 1.4 * usual_s):
        return [placed]
    parted_s = PARTED_S if usual_s is None else watch.limits.break_s
    inside = [
        activity
        for activity in watch.gate.activities
        if activity.to_s is not None and activity.to_s > placed.from_s and activity.from_s < placed.to_s
    ]
    if len(inside) < 2:
        return [placed]
    rises: list[Rise] = []
    rested_s = float("-inf")
    for activity in inside:
        assert activity.to_s is not None  # noqa: S101  (chosen so)
        begin_s = max(activity.from_s - watch.limits.break_s, rested_s)
        room, rested_s = Room(begin_s, activity.to_s + watch.limits.break_s), activity.to_s
        found = by_curve(watch, activity.from_s, activity.to_s, room)
        rises += [found.rise] if found is not None and found.rise is not None else []
    for first, second in pairwise(rises):
        if second.from_s - first.to_s > parted_s:
            opening = replace(placed, to_s=None, until_s=second.stirs_s - BLOCK_S, open_s=None)
            closing = replace(placed, from_s=None, open_s=None)
            return [opening, closing]
    return [placed]


def _half_told(watch: ScaleWatch, placed: Placed, room: Room) -> Found | None:
    # One of both events was lost: the curve says the other.
    if placed.from_s is not None:
        end = placed.until_s if placed.until_s is not None else watch.last_t_s
        room = Room(room.from_s, min(room.to_s, end))
        stretch = _stretch(watch, placed.from_s, end, room)
        rise = _first_rise(watch, stretch, placed.from_s, end)
    else:
        assert placed.to_s is not None  # noqa: S101  (one of both is there by construction)
        around = [
            activity
            for activity in watch.gate.activities
            if activity.from_s < placed.to_s + 2.0 and (activity.to_s or placed.to_s) > placed.to_s - 4.0
        ]
        if not around:
            return None
        begin = min(activity.from_s for activity in around)
        stretch = _stretch(watch, begin, placed.to_s, room)
        clear = _unmoved(stretch, begin + watch.limits.break_s, placed.to_s)
        again = _rises_again(stretch, placed.to_s)
        rise = stretch.rise(max(begin - BEFORE_S, room.from_s, clear[0]), min(room.to_s, clear[1], again))
    if rise is None:
        return None
    from_s = placed.from_s if placed.from_s is not None else rise.from_s
    if abs(from_s - rise.from_s) > LATE_S:
        from_s = rise.from_s
    to_s = placed.to_s if placed.to_s is not None else rise.to_s
    if abs(to_s - rise.to_s) > LATE_S:
        to_s = rise.to_s
    times = Times(from_s, max(to_s, from_s + 0.1), None, max(_u_s(rise), placed.u_s))
    return _found(watch, stretch, room, times, rise)


def _first_rise(watch: ScaleWatch, stretch: Stretch, from_s: float, end_s: float) -> Rise | None:
    # Only the first activity after the opening belongs to it.
    for activity in watch.gate.activities:
        if activity.to_s is not None and activity.to_s > from_s and activity.from_s < end_s:
            following = [a.from_s for a in watch.gate.activities if a.from_s > activity.to_s]
            begin, end = _unmoved(stretch, from_s, activity.to_s)
            return stretch.rise(begin, min([*following, activity.to_s + AFTER_S, end]))
    return stretch.rise(float("-inf"), end_s)


def _stretch(watch: ScaleWatch, from_s: float, to_s: float, room: Room) -> Stretch:
    low = max(room.from_s, from_s - BEFORE_S - REACH_S)
    high = min(room.to_s, to_s + AFTER_S + REACH_S)
    t, mass = watch.ring.between(low, high)
    return Stretch(t, mass, watch.limits, HELD_UP_S if watch.from_arrival else 0.0)


def _unmoved(stretch: Stretch, from_s: float, to_s: float) -> tuple[float, float]:
    """How far before and after a dispense the container was not moved."""
    moved = [d for d in stretch.disturbances if d.moved_g]
    before = [d.to_s for d in moved if d.to_s <= from_s]
    after = [d.from_s for d in moved if d.from_s >= to_s]
    return max(before, default=float("-inf")), min(after, default=float("inf"))


def _rises_again(stretch: Stretch, closed_s: float) -> float:
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


def _rose_before(stretch: Stretch, opened_s: float) -> float:
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


def _found(
    watch: ScaleWatch,
    stretch: Stretch,
    room: Room,
    times: Times,
    rise: Rise | None,
) -> Found:
    from_s, to_s = times.from_s, times.to_s
    low, high = max(room.from_s, from_s - BEFORE_S), min(room.to_s, to_s + AFTER_S)
    notes: set[str] = set()
    left_out: list[tuple[float, float]] = []
    for d in stretch.disturbances:
        if d.jet or _is_the_dispense(watch, d, times):
            continue
        if d.to_s > from_s and d.from_s < to_s + 0.5:
            if d.moved_g or _spoils(stretch, d, from_s, to_s):
                notes.add("container_moved")
        elif d.to_s <= from_s and (
            d.moved_g or (_spoils(stretch, d, low, from_s) and from_s - d.to_s > ENOUGH_S)
        ):
            low = max(low, d.to_s + 0.3)
        elif d.from_s >= to_s and (
            d.moved_g or (_spoils(stretch, d, to_s, high) and d.from_s - to_s > ENOUGH_S)
        ):
            high = min(high, d.from_s)
        else:
            left_out.append((d.from_s, d.to_s + 0.3))
    if rise is not None and rise.broken and times.open_s is None:
        notes.add("container_moved")
    low = max(low, _rose_before(stretch, from_s))
    high = min(high, _rises_again(stretch, to_s))
    kept = Kept(low, high, tuple(left_out))
    notes |= _what_is_missing(watch, times, kept)
    return Found(times, rise, frozenset(notes), kept)


def _is_the_dispense(watch: ScaleWatch, d: Disturbance, times: Times) -> bool:
    """Whether a told dispense is so short, and its jet pushes so hard, that all of it looks like a jump."""
    most_g = watch.limits.fastest_g_per_s * (times.to_s - times.from_s)
    begins = abs(d.from_s - times.from_s) < JUMP_S
    return (
        times.open_s is not None and begins and abs(d.to_s - times.to_s) < JUMP_S and 0.0 < d.moved_g < most_g
    )


def _spoils(stretch: Stretch, d: Disturbance, from_s: float, to_s: float) -> bool:
    """Lifted off, or leaned on for longer than a robust fit bears, between two times."""
    large = abs(d.depth_g) > max(5.0, 10.0 * stretch.blocks.noise_g, 5.0 * stretch.blocks.limits.resolution_g)
    return large and min(d.to_s, to_s) - max(d.from_s, from_s) > SPOILS_S


def _what_is_missing(watch: ScaleWatch, times: Times, kept: Kept) -> set[str]:
    from_s, to_s, low, high = times.from_s, times.to_s, kept.from_s, kept.to_s
    t, _ = watch.ring.between(low, high)
    t = t[kept.mask(t)]
    notes: set[str] = set()
    before, after = t[t < from_s], t[t > to_s + 0.3]
    if before.size < 3 or from_s - before[0] < SHORTEST_PLATEAU_S:
        notes.add("no_plateau_before")
    if after.size < 3 or after[-1] - to_s < SHORTEST_PLATEAU_S:
        notes.add("no_plateau_after")
    if watch.missing_note(from_s - 0.3, min(to_s + 1.0, max(high, to_s))):
        notes.add("readings_missing")
    if any(begin < to_s + 0.5 and end > from_s - 0.5 for begin, end in watch.overloads):
        notes.add("scale_overload")
    if any(from_s <= at <= to_s for at in watch.zeroed):
        notes.add("container_moved")
    if watch.restored_to_s is not None and low <= watch.restored_to_s:
        notes.add("recovered_after_restart")
    return notes


def readings_of(watch: ScaleWatch, kept: Kept) -> tuple[Floats, Floats, NDArray[np.bool_] | None]:
    """Times, masses and stability flags of a dispense."""
    t, mass = watch.ring.between(kept.from_s, kept.to_s)
    stable = watch.ring.stable_between(kept.from_s, kept.to_s)
    mask = kept.mask(t)
    return t[mask], mass[mask], stable[mask] if stable is not None else None
