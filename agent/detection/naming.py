"""What a found dispense is called: its gun, check, setup and purpose.

Which dispenses are bleeds: what the controller calls so. Where it says nothing, the first dispense of a gun
in a check is the bleed if its setup has one and its open time is nearer to `bleed_s` than to `shot_s`, these
two being at least a fifth of `shot_s` apart. Seen on the scale alone, the first dispense of a gun after ten
minutes of none is the bleed under the same condition. Everything else is a shot: nothing is guessed.
"""

from __future__ import annotations

from dataclasses import dataclass

from agent.contract.inputs import Purpose
from agent.contract.plan import Cell
from agent.detection.carving import Found, readings_of
from agent.detection.placing import Placed
from agent.detection.scale_watch import ScaleWatch
from agent.detection.triggers import Told, Triggers
from agent.detection.window import Window

PAUSE_S = 600.0
DIFFERENT = 0.2


@dataclass(frozen=True, slots=True)
class Name:
    """What a dispense is called."""

    gun: str | None
    setup: str | None
    setup_guessed: bool
    check_id: str | None
    purpose: Purpose
    origin: str
    by_arrival: bool = False


class Namer:
    """Names the dispenses of one cell."""

    def __init__(self, cell: Cell, triggers: Triggers) -> None:
        self._cell = cell
        self._triggers = triggers
        self._last_s: dict[tuple[str, str | None], float] = {}

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
        is_first = check_id is not None and self._triggers.is_first_of_check(check_id, gun, origin)
        purpose = one.purpose or self._purpose(setup, found, is_first)
        self._last_s[watch.scale.name, gun] = found.times.to_s
        name = Name(gun, setup, guessed, check_id, purpose, origin, one.by_arrival)
        return self._window(watch, found, name, now_s)

    def seen(self, watch: ScaleWatch, found: Found, now_s: float) -> Window:
        """The window of a dispense that the scale alone shows."""
        guns = self._cell.guns_on(watch.scale.name)
        gun = guns[0] if len(guns) == 1 else None
        at_s = self._controller_s(watch, found.times.from_s)
        check_id, of_check = self._triggers.check_of(gun, at_s) if gun is not None else (None, None)
        setup, guessed = self._triggers.setup_of(None, of_check, at_s)
        origin = f"{found.times.from_s:.1f}"
        last_s = self._last_s.get((watch.scale.name, gun), float("-inf"))
        is_first = found.times.from_s - last_s > PAUSE_S
        if check_id is not None:
            is_first = self._triggers.is_first_of_check(check_id, gun, origin)
        purpose = self._purpose(setup, found, is_first)
        self._last_s[watch.scale.name, gun] = found.times.to_s
        return self._window(watch, found, Name(gun, setup, guessed, check_id, purpose, origin), now_s)

    def _controller_s(self, watch: ScaleWatch, scale_s: float) -> float:
        return scale_s - watch.ahead_s + self._triggers.clock.offset_s

    def _purpose(self, setup: str | None, found: Found, is_first: bool) -> Purpose:
        plan = self._triggers.setup(setup)
        if plan is None or not is_first or plan.bleed_s <= 0.0:
            return "shot"
        length_s = (
            found.times.open_s if found.times.open_s is not None else found.times.to_s - found.times.from_s
        )
        clear = abs(plan.bleed_s - plan.shot_s) > DIFFERENT * plan.shot_s
        nearer = abs(length_s - plan.bleed_s) < abs(length_s - plan.shot_s)
        return "bleed" if clear and nearer else "shot"

    def _window(self, watch: ScaleWatch, found: Found, name: Name, now_s: float) -> Window:
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
            purpose=name.purpose,
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
            ended_s=now_s,
            idle_slope_g_per_s=slope,
            u_idle_slope_g_per_s=watch.idle.u_g_per_s if slope is not None else None,
        )


def _origin(told: Told, has_opening: bool) -> str:
    """The opening event's id; where it was lost, the closing's, said to be that."""
    if has_opening and told.opened is not None:
        return told.opened.event_id
    assert told.closed is not None  # noqa: S101  (one of both is there by construction)
    return f"closed:{told.closed.event_id}"
