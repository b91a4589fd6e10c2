"""The technician: reads advice, turns knobs, changes parts, looks after the containers."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from simulators.controller import Controller
from simulators.physics.gun import Gun
from simulators.site import SiteCell


class Workplace(Protocol):
    """What a technician needs of the cell."""

    guns: dict[str, Gun]
    controller: Controller
    plan: SiteCell

    def after(self, seconds: float, action: Callable[[], None]) -> None:
        """Do something later."""

    def replace_part(self, gun: str, part: str) -> None:
        """Put a new part in."""


@dataclass(slots=True)
class Habits:
    """How this technician works."""

    follows_advice: bool = False
    reacts_after_s: float = 30.0
    turns_times: float = 1.0
    """How much of the advised change the hand makes: 2 is somebody who overcorrects."""
    hand_error: float = 0.0
    """Error of every setting, in the knob's unit."""
    rechecks: bool = True
    """Starts a check by hand after turning, unless one has begun by then."""
    recheck_after_s: float = 20.0
    most_adjustments: int = 3
    """Of one gun, before giving up."""


class Technician:
    """One person in one cell."""

    def __init__(self, workplace: Workplace, habits: Habits) -> None:
        self.workplace = workplace
        self.habits = habits
        self._adjusted: dict[str, int] = {}
        self._pending: set[str] = set()

    def hear_advice(self, payload: bytes) -> None:
        """An `advice` record came: act on it after a while, where it asks for anything."""
        if not self.habits.follows_advice or not payload:
            return
        try:
            body = json.loads(payload)
            gun = str(body["gun"])
        except (ValueError, KeyError, TypeError):
            return
        if gun not in self.workplace.guns or gun in self._pending:
            return
        change = self._wanted_change(gun, body.get("advised"), body.get("change"))
        if change is None or abs(change) < 1e-6:
            return
        if self._adjusted.get(gun, 0) >= self.habits.most_adjustments:
            return
        self._pending.add(gun)
        self.workplace.after(self.habits.reacts_after_s, lambda: self._turn_when_quiet(gun, change))

    def adjusted(self) -> dict[str, int]:
        """How often each gun's knob was turned on advice."""
        return dict(self._adjusted)

    def set_needle(self, gun: str, setting: float) -> None:
        """Turn a gun's knob to the mark nearest a setting, and type it in. KeyError for an unknown gun."""
        knob, marked = self.workplace.guns[gun], self.workplace.plan.needle(gun).marked(setting)
        knob.setting = max(marked + self.habits.hand_error, 0.0)
        self.workplace.controller.tell("needle_set", gun=gun, setting=marked)

    def change_part(self, gun: str, part: str) -> None:
        """Put in a new nozzle, needle, seal or gun, and type it in."""
        self.workplace.replace_part(gun, part)
        self.workplace.controller.tell("part_changed", gun=gun, part=part)

    def _wanted_change(self, gun: str, advised: object, change: object) -> float | None:
        if isinstance(change, (int, float)):
            return float(change)
        if isinstance(advised, (int, float)):
            return float(advised) - self.workplace.guns[gun].setting
        return None

    def _turn_when_quiet(self, gun: str, change: float) -> None:
        if self.workplace.controller.busy:
            # Nobody puts a hand into a cell that is spraying.
            self.workplace.after(5.0, lambda: self._turn_when_quiet(gun, change))
            return
        self._pending.discard(gun)
        self._adjusted[gun] = self._adjusted.get(gun, 0) + 1
        self.set_needle(gun, self.workplace.guns[gun].setting + change * self.habits.turns_times)
        if self.habits.rechecks:
            begun = self.workplace.controller.checks_begun[gun]
            self.workplace.after(self.habits.recheck_after_s, lambda: self._recheck(gun, begun))

    def _recheck(self, gun: str, begun: int) -> None:
        controller = self.workplace.controller
        if controller.checks_begun[gun] == begun and controller.ready:
            controller.run_check(gun)
