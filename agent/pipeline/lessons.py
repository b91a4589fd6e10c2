"""What earlier shots taught: about a scale with its container, and about each gun that shoots into it."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any

from agent.assessment.shots import OF_THE_SCALE
from agent.contract.inputs import ControllerEvent
from agent.detection.window import Window
from agent.flow.learned import Learned
from agent.flow.measuring import Measurement

TOGETHER_S = 900.0
"""Shots further apart are not compared: pressure, temperature and wear may have changed the flow by more than
a valve does (choice of ours)."""
TURNS_KEPT = 16
"""Needle settings remembered of a gun: a shot is measured seconds after it was sprayed, not hours."""


class Lessons:
    """Prior knowledge for the next fit: one `Learned` a scale, and one a gun for its valve's timing."""

    def __init__(self) -> None:
        self._scales: dict[str, Learned] = {}
        self._guns: dict[str, Learned] = {}
        self._turns: dict[str, deque[tuple[float, str]]] = {}
        """By gun: when its needle was set, on our clock, and what tells this setting from others."""
        self._together: dict[str, tuple[float, float]] = {}
        """By gun: when the first and the last of the shots compared now were sprayed, on our clock."""
        self._changed_s: dict[str, float] = {}
        """By gun: when its parts were last changed."""

    def of(self, gun: str | None, scale: str) -> Learned:
        """What is known before a shot of this gun on this scale."""
        known = self._scales.get(scale, Learned())
        mine = self._guns.get(gun or "")
        return replace(known, lengths=mine.lengths) if mine is not None else known

    def told(self, event: ControllerEvent) -> None:
        """A needle that was set begins another group of shots; a new part has a timing of its own."""
        if event.retained or not event.gun:
            return
        if event.event == "part_changed":
            self._guns.pop(event.gun, None)
        self._note(event)

    def group(self, window: Window, opened_s: float) -> str | None:
        """The shots that one which began at `opened_s` on our clock is compared with for its valve's timing.

        Those sprayed just before it with like setup and needle setting. None where it says nothing of the
        gun as it is: a bleed clears air, so that its flow is its own, and a shot may have been sprayed
        before a part was changed.
        """
        gun = window.gun
        if gun is None or window.purpose != "shot" or opened_s < self._changed_s.get(gun, -math.inf):
            return None
        known = [setting for turned_s, setting in self._turns.get(gun, ()) if turned_s <= opened_s]
        first_s, last_s = self._together.get(gun, (opened_s, opened_s))
        if opened_s - last_s > TOGETHER_S:
            first_s = opened_s
        self._together[gun] = first_s, max(last_s, opened_s)
        return f"{window.setup}/{known[-1] if known else None}/{first_s:.0f}"

    def learn(self, window: Window, measured: Measurement, group: str | None) -> None:
        """Take a good dispense in; `group` names the shots it is compared with, None where there are none."""
        scale = self._scales.get(window.scale, Learned())
        self._scales[window.scale] = scale.after(
            evaporation=measured.evaporation_seen,
            noise_g=measured.noise_g,
            lag_s=measured.lag_s,
            open_s=None,
            mass_g=None,
            u_mass_g=None,
        )
        if window.gun is None or window.open_s is None or group is None:
            return
        gun = self._guns.get(window.gun, Learned())
        self._guns[window.gun] = gun.after(
            evaporation=None,
            noise_g=None,
            lag_s=None,
            open_s=measured.open_s,
            mass_g=measured.mass_g,
            u_mass_g=_u_of_one_shot_g(measured),
            group=group,
        )

    def kept(self) -> dict[str, Any]:
        """As plain JSON, for the journal."""
        return {
            "scales": {name: known.to_dict() for name, known in self._scales.items()},
            "guns": {name: known.to_dict() for name, known in self._guns.items()},
        }

    def restore(self, kept: Mapping[str, Any], events: Iterable[ControllerEvent]) -> None:
        """Take up what was kept, and what the controller had said of needles and parts."""
        self._scales = {name: Learned.from_dict(body) for name, body in kept.get("scales", {}).items()}
        self._guns = {name: Learned.from_dict(body) for name, body in kept.get("guns", {}).items()}
        for event in sorted(events, key=lambda event: event.arrived_s):
            if event.gun and not event.retained:
                self._note(event)

    def _note(self, event: ControllerEvent) -> None:
        gun = event.gun or ""
        if event.event == "part_changed":
            self._changed_s[gun] = event.arrived_s
        elif event.event == "needle_set":
            setting = f"turned by {event.event_id}" if event.setting is None else str(event.setting)
            self._turns.setdefault(gun, deque(maxlen=TURNS_KEPT)).append((event.arrived_s, setting))


def _u_of_one_shot_g(measured: Measurement) -> float | None:
    # What changes all masses on the scale by one factor changes the flow alone, and no timing.
    if measured.mass_g is None or measured.open_s is None:
        return None
    own = [line.u_g_per_min for line in measured.budget if line.source not in OF_THE_SCALE]
    return math.hypot(*own) * measured.open_s / 60.0
