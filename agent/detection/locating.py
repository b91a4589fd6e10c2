"""Where a dispense is in a scale's readings: by the controller's word, half of it, or the curve alone."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np

from agent.detection.blocks import BLOCK_S
from agent.detection.carving import (
    AFTER_S,
    U_CURVE_S,
    Found,
    Room,
    Times,
    cut_out,
    stretch_around,
)
from agent.detection.curve import Rise, Stretch
from agent.detection.placing import Placed
from agent.detection.reach import BEFORE_S, rises_again, runs_on, unmoved_around
from agent.detection.scale_watch import ScaleWatch

EARLY_S, LATE_S = -0.6, 1.0
"""How much earlier or later than the commanded opening a curve may stir: valve, way through the air and the
scale's filter make it late by some tenths of a second, never early but for what the clocks are uncertain."""
USUAL_LATE_S = 0.2
LAG_S = 0.5
"""So late a slow scale's filter may show what came."""
PARTED_S = 8.0
SEEN = 0.4
"""So much of a ramp must be seen undisturbed: what is only more afterwards than before was put there."""


def by_controller(watch: ScaleWatch, placed: Placed, room: Room) -> Found | None:
    """Cut out what the controller told; None where it told too little and the curve shows nothing."""
    if placed.from_s is None or placed.to_s is None:
        return _half_told(watch, placed, room)
    stretch = stretch_around(watch, placed.from_s, placed.to_s, room)
    clear = unmoved_around(stretch, placed.from_s, placed.to_s)
    ends_s = runs_on(stretch, placed.from_s, placed.to_s)
    rise = stretch.rise(clear[0], min(clear[1], rises_again(stretch, ends_s)))
    from_s, to_s, u_s, open_s = placed.from_s, placed.to_s, placed.u_s, placed.open_s
    if rise is not None and open_s is not None:
        shift_s = _shift_s(stretch, rise, from_s, to_s)
        if shift_s:
            from_s, to_s, u_s = from_s + shift_s, to_s + shift_s, _u_s(rise)
    return cut_out(watch, stretch, room, Times(from_s, to_s, open_s, u_s), rise, ends_s=max(ends_s, to_s))


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
    stretch = stretch_around(watch, from_s, to_s, room)
    limits = watch.limits
    low = max(room.from_s, from_s - BEFORE_S, rested_s)
    # The gate looks back over `break_s`: what rose outside of the activity is something else.
    slack_s = limits.break_s + 1.0
    begin, end = unmoved_around(stretch, from_s + limits.break_s, to_s)
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
    return cut_out(watch, stretch, room, Times(rise.from_s, rise.to_s, u_s=_u_s(rise)), rise)


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
        stretch = stretch_around(watch, placed.from_s, end, room)
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
        stretch = stretch_around(watch, begin, placed.to_s, room)
        clear = unmoved_around(stretch, begin + watch.limits.break_s, placed.to_s)
        again = rises_again(stretch, placed.to_s)
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
    return cut_out(watch, stretch, room, times, rise)


def _first_rise(watch: ScaleWatch, stretch: Stretch, from_s: float, end_s: float) -> Rise | None:
    # Only the first activity after the opening belongs to it.
    for activity in watch.gate.activities:
        if activity.to_s is not None and activity.to_s > from_s and activity.from_s < end_s:
            following = [a.from_s for a in watch.gate.activities if a.from_s > activity.to_s]
            begin, end = unmoved_around(stretch, from_s, activity.to_s)
            return stretch.rise(begin, min([*following, activity.to_s + AFTER_S, end]))
    return stretch.rise(float("-inf"), end_s)
