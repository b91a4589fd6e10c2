"""What earlier shots taught: about a scale with its container, and about each gun that shoots into it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from agent.detection.window import Window
from agent.flow.learned import Learned
from agent.flow.measuring import Measurement


class Lessons:
    """Prior knowledge for the next fit: one `Learned` a scale, and one a gun for its valve's timing."""

    def __init__(self) -> None:
        self._scales: dict[str, Learned] = {}
        self._guns: dict[str, Learned] = {}

    def of(self, gun: str | None, scale: str) -> Learned:
        """What is known before a shot of this gun on this scale."""
        known = self._scales.get(scale, Learned())
        mine = self._guns.get(gun or "")
        return replace(known, lengths=mine.lengths) if mine is not None else known

    def learn(self, window: Window, measured: Measurement, group: str) -> None:
        """Take a good shot in. `group` names the setup and needle setting it ran at."""
        scale = self._scales.get(window.scale, Learned())
        self._scales[window.scale] = scale.after(
            evaporation=measured.evaporation_seen,
            noise_g=measured.noise_g,
            lag_s=measured.lag_s,
            open_s=None,
            mass_g=None,
            u_mass_g=None,
        )
        if window.gun is not None and window.open_s is not None:
            gun = self._guns.get(window.gun, Learned())
            self._guns[window.gun] = gun.after(
                evaporation=None,
                noise_g=None,
                lag_s=None,
                open_s=measured.open_s,
                mass_g=measured.mass_g,
                u_mass_g=measured.u_mass_g,
                group=group,
            )

    def kept(self) -> dict[str, Any]:
        """As plain JSON, for the journal."""
        return {
            "scales": {name: known.to_dict() for name, known in self._scales.items()},
            "guns": {name: known.to_dict() for name, known in self._guns.items()},
        }

    def restore(self, kept: Mapping[str, Any]) -> None:
        """Take up what was kept."""
        self._scales = {name: Learned.from_dict(body) for name, body in kept.get("scales", {}).items()}
        self._guns = {name: Learned.from_dict(body) for name, body in kept.get("guns", {}).items()}
