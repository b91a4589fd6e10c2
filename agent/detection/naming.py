"""What a found dispense is called: its gun, check, setup and purpose.

Which dispenses are bleeds: what the controller calls so. Where nobody says it, a dispense is the bleed if its
setup has one, its open time is nearer to `bleed_s` than to `shot_s` (these two being at least a fifth of
`shot_s` apart), and it stands where a bleed does: first in a check, first after ten minutes of none, after
another bleed, or after all the shots of the setup. Among the shots of a set that is not complete it is a
shot that was cut short. Everything else is a shot: nothing is guessed. Where it is not known which gun of a
scale shot, the sets of all its guns follow each other as one.
"""

from __future__ import annotations

import math
from collections import OrderedDict
from dataclasses import dataclass
from typing import Any

from agent.contract.inputs import Purpose
from agent.contract.plan import Cell, Setup
from agent.detection.carving import Found, readings_of
from agent.detection.placing import Placed
from agent.detection.scale_watch import ScaleWatch
from agent.detection.triggers import Told, Triggers
from agent.detection.window import Window

PAUSE_S = 600.0
DIFFERENT = 0.2
KEPT_SETS = 64
"""Guns whose sets are remembered; a controller may name guns that the cell has not."""


@dataclass(frozen=True, slots=True)
class Name:
    """What a dispense is called."""

    gun: str | None
    setup: str | None
    setup_guessed: bool
    check_id: str | None
    origin: str
    by_arrival: bool = False


@dataclass(slots=True)
class _Set:
    """The shots of a gun that follow each other, so far."""

    check_id: str | None = None
    ended_s: float = float("-inf")
    """When its last dispense ended, by arrival."""
    shots: int = 0

    def is_over(self, check_id: str | None, from_s: float) -> bool:
        """Whether a dispense from then on begins another."""
        return (check_id is not None and check_id != self.check_id) or from_s - self.ended_s > PAUSE_S

    def with_one(self, check_id: str | None, purpose: Purpose, to_s: float) -> _Set:
        """The set with another dispense; a bleed begins one."""
        before = 0 if purpose == "bleed" else self.shots
        return _Set(check_id or self.check_id, to_s, before + (purpose == "shot"))


class Namer:
    """Names the dispenses of one cell."""

    def __init__(self, cell: Cell, triggers: Triggers) -> None:
        self._cell = cell
        self._triggers = triggers
        self._sets: OrderedDict[tuple[str, str | None], _Set] = OrderedDict()

    def setup_of(self, one: Placed) -> tuple[str | None, bool]:
        """Setup of a dispense that the controller told, and whether it is guessed."""
        first = one.told[0]
        event = first.opened or first.closed
        at_s = event.t_s if event is not None else 0.0
        _, of_check = self._triggers.check_of(first.gun, at_s)
        return self._triggers.setup_of(one.setup, of_check, at_s)

    def told(self, watch: ScaleWatch, one: Placed, found: Found, now_s: float) -> Window:
        """The window of a dispense that the controller told."""
        first = one.told[0]
        guns = {self._triggers.known_gun(told) for told in one.told}
        gun = guns.pop() if len(guns) == 1 and len(one.told) == 1 else None
        opened = first.opened if one.from_s is not None else None
        at_s = opened.t_s if opened is not None else self._controller_s(watch, found.times.from_s)
        origin = "+".join(_origin(told, one.from_s is not None) for told in one.told)
        checks = {self._triggers.check_of(told.gun, at_s) for told in one.told}
        check_id, of_check = checks.pop() if len(checks) == 1 else (None, None)
        setup, guessed = self._triggers.setup_of(one.setup, of_check, at_s)
        name = Name(gun, setup, guessed, check_id, origin, one.by_arrival)
        return self._window(watch, found, name, self._purpose(watch, found, name, one.purpose), now_s)

    def seen(self, watch: ScaleWatch, found: Found, now_s: float) -> Window:
        """The window of a dispense that the scale alone shows."""
        guns = self._cell.guns_on(watch.scale.name)
        gun = guns[0] if len(guns) == 1 else None
        at_s = self._controller_s(watch, found.times.from_s)
        check_id, of_check = self._triggers.check_of(gun, at_s) if gun is not None else (None, None)
        setup, guessed = self._triggers.setup_of(None, of_check, at_s)
        origin = f"{found.times.from_s:.1f}"
        name = Name(gun, setup, guessed, check_id, origin)
        return self._window(watch, found, name, self._purpose(watch, found, name), now_s)

    def _controller_s(self, watch: ScaleWatch, scale_s: float) -> float:
        return scale_s - watch.ahead_s + self._triggers.clock.offset_s

    def _purpose(self, watch: ScaleWatch, found: Found, name: Name, told: Purpose | None = None) -> Purpose:
        """What a dispense is for, as told or by where it stands among its gun's."""
        whose = watch.scale.name, name.gun
        from_s, to_s = found.times.from_s - watch.ahead_s, found.times.to_s - watch.ahead_s
        current = self._sets.pop(whose, _Set())
        if current.is_over(name.check_id, from_s):
            current = _Set()
        setup = self._triggers.setup(name.setup)
        may_bleed = setup is not None and not 0 < current.shots < setup.shots
        is_bleed = setup is not None and may_bleed and _is_as_long_as_a_bleed(setup, found)
        purpose: Purpose = told or ("bleed" if is_bleed else "shot")
        self._sets[whose] = current.with_one(name.check_id, purpose, to_s) if purpose != "job" else current
        while len(self._sets) > KEPT_SETS:
            self._sets.popitem(last=False)
        return purpose

    def state(self) -> list[Any]:
        """What to write down for a restart, as plain JSON."""
        return [
            [*whose, one.check_id, one.ended_s, one.shots]
            for whose, one in self._sets.items()
            if math.isfinite(one.ended_s)
        ]

    def restore(self, state: list[Any]) -> None:
        """Take up what was written down."""
        self._sets = OrderedDict(
            ((scale, gun), _Set(check_id, ended_s, shots)) for scale, gun, check_id, ended_s, shots in state
        )

    def _window(self, watch: ScaleWatch, found: Found, name: Name, purpose: Purpose, now_s: float) -> Window:
        t, mass, stable = readings_of(watch, found.kept)
        times = found.times
        notes = set(found.notes)
        if name.gun is None:
            notes.add("unattributed")
        if name.by_arrival or watch.from_arrival:
            notes.add("clock_from_arrival")
        slope = watch.idle.slope_g_per_s
        return Window(
            cell=self._cell.name,
            scale=watch.scale.name,
            gun=name.gun,
            setup=name.setup,
            purpose=purpose,
            t_s=t,
            mass_g=mass,
            opened_s=times.from_s,
            closed_s=times.to_s,
            open_s=times.open_s,
            origin=name.origin,
            u_event_s=times.u_s,
            is_stamped=not name.by_arrival,
            check_id=name.check_id,
            setup_guessed=name.setup_guessed,
            notes=frozenset(notes),
            stable=stable,
            losses_s=found.losses_s,
            ended_s=now_s,
            idle_slope_g_per_s=slope,
            u_idle_slope_g_per_s=watch.idle.u_g_per_s if slope is not None else None,
        )


def _is_as_long_as_a_bleed(setup: Setup, found: Found) -> bool:
    times = found.times
    length_s = times.open_s if times.open_s is not None else times.to_s - times.from_s
    clear = abs(setup.bleed_s - setup.shot_s) > DIFFERENT * setup.shot_s
    return setup.bleed_s > 0.0 and clear and abs(length_s - setup.bleed_s) < abs(length_s - setup.shot_s)


def _origin(told: Told, has_opening: bool) -> str:
    """The opening event's id; where it was lost, the closing's, said to be that."""
    if has_opening and told.opened is not None:
        return told.opened.event_id
    assert told.closed is not None  # noqa: S101  (one of both is there by construction)
    return f"closed:{told.closed.event_id}"
