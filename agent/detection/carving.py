"""A dispense's readings cut out of a scale's: plateau, ramp, plateau, and nothing of its neighbours."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from agent.detection.blocks import Disturbance
from agent.detection.curve import Rise, Stretch
from agent.detection.reach import BEFORE_S, SETTLE_S, rises_again, rose_before
from agent.detection.scale_watch import ScaleWatch
from agent.detection.window import Floats

AFTER_S = 15.0
"""So much of the plateau afterwards is given where it is there."""
SHORTEST_PLATEAU_S = 0.8
ENOUGH_S = 4.0
"""With so much plateau beside the dispense, what lies beyond a handled container is not needed."""
JUMP_S = 1.0
SPOILS_S = 2.2
"""A knock is over in a second, its tail in the scale's filter in another."""
LEANS_S = 1.6
"""What is as deep for so long is no knock, whatever its tail."""
HELD_UP_S = 1.0
"""So long a network holds a message up now and then."""
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
    ends_s: float
    """When the flow ended: the closing, or later where that was told too early."""
    losses_s: tuple[float, ...] = ()
    """Where the flow paused, or the container was moved."""

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


def stretch_around(watch: ScaleWatch, from_s: float, to_s: float, room: Room) -> Stretch:
    """The readings around two times, as far as there is room, with their disturbances found."""
    low = max(room.from_s, from_s - BEFORE_S - REACH_S)
    high = min(room.to_s, to_s + AFTER_S + REACH_S)
    t, mass = watch.ring.between(low, high)
    return Stretch(t, mass, watch.limits, HELD_UP_S if watch.from_arrival else 0.0)


def cut_out(
    watch: ScaleWatch,
    stretch: Stretch,
    room: Room,
    times: Times,
    rise: Rise | None,
    *,
    ends_s: float | None = None,
) -> Found:
    """A dispense with its plateaus, what of them to leave out, and what is to be noted.

    `ends_s` is when the flow ended where that is later than told.
    """
    from_s, to_s = times.from_s, times.to_s
    ends_s = to_s if ends_s is None else ends_s
    low, high = max(room.from_s, from_s - BEFORE_S), min(room.to_s, ends_s + AFTER_S)
    notes: set[str] = set()
    left_out: list[tuple[float, float]] = []
    losses_s: list[float] = []
    for d in stretch.disturbances:
        if d.jet or _is_the_dispense(watch, d, times):
            continue
        if d.to_s > from_s and d.from_s < ends_s + 0.5:
            if d.pause and times.open_s is not None:
                losses_s.append(0.5 * (d.from_s + d.to_s))
            elif d.moved_g or _spoils(stretch, d, from_s, to_s):
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
    low = max(low, rose_before(stretch, from_s))
    high = min(high, rises_again(stretch, ends_s))
    kept = Kept(low, high, tuple(left_out))
    notes |= _what_is_missing(watch, times, kept)
    return Found(times, rise, frozenset(notes), kept, ends_s, tuple(losses_s))


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
    return large and d.deep_s > LEANS_S and min(d.to_s, to_s) - max(d.from_s, from_s) > SPOILS_S


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
