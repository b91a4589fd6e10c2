"""Captures of a cell as plain arithmetic: straight ramps, even plateaus, rounding and noise.

Shares nothing with the simulators: a second opinion on what the agent should find.
"""

from __future__ import annotations

import json
import random
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

T0_S = 1_772_434_800.0
"""Monday 2 March 2026, 07:00 UTC."""
BUOYANCY = 1.0013429
"""Butanone at 20 C in air of 1.2 kg/m3: ISO 4185 / NIST SOP 2, row B4 of the published values."""


@dataclass
class PlainCell:
    """One scale and one controller; every member is something a shop may do differently."""

    shots: list[tuple[float, float, float, str]] = field(default_factory=list)
    """(opened s, open time s, apparent flow g/min, gun)."""
    rate_hz: float = 10.0
    resolution_g: float = 0.1
    noise_g: float = 0.03
    start_g: float = 500.0
    evaporation_g_per_s: float = 0.0
    valve_delay_s: float = 0.08
    longer_s: float = 0.0
    """How much longer the liquid runs than the gun was told to be open."""
    unit: str = "g"
    reading_t: bool = True
    bare: bool = False
    """Readings as bare numbers."""
    events: bool = True
    event_t: bool = True
    controller_ahead_s: float = 0.0
    events_late_s: float = 0.0
    events_twice: bool = False
    purpose: str | None = "shot"
    lost: tuple[str, ...] = ()
    """Ids of events that never come."""
    silent: tuple[float, float] | None = None
    """Interval without readings."""
    also_g: Callable[[float], float] = lambda _t: 0.0
    """What else happens to the mass on the scale."""
    seed: int = 1

    def write(self, path: Path) -> Path:
        """Write the capture."""
        messages = sorted(self._messages(), key=lambda message: message[0])
        lines = []
        for arrived_s, topic, body, qos in messages:
            payload = json.dumps(body)
            stamp = datetime.fromtimestamp(arrived_s, UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ+0000")
            lines.append(
                f'{{"tst":"{stamp}","topic":"{topic}","qos":{qos},"retain":0,'
                f'"payloadlen":{len(payload)},"payload":{payload}}}'
            )
        path.write_text("\n".join(lines) + "\n")
        return path

    def _messages(self) -> list[tuple[float, str, Any, int]]:
        dice = random.Random(self.seed)
        end_s = max(opened + length for opened, length, _, _ in self.shots) + 16.0
        found: list[tuple[float, str, Any, int]] = []
        for number in range(int(end_s * self.rate_hz)):
            t = number / self.rate_hz
            if self.silent and self.silent[0] <= t < self.silent[1]:
                continue
            noisy = self._mass_g(t) + dice.gauss(0.0, self.noise_g)
            shown = round(round(noisy / self.resolution_g) * self.resolution_g, 4)
            value = round(shown / 1000.0, 7) if self.unit == "kg" else shown
            body: Any = value if self.bare else {"value": value, "unit": self.unit}
            if self.reading_t and not self.bare:
                body["t"] = T0_S + t
            late = abs(dice.gauss(0.0, 0.02))
            found.append((T0_S + t + late, "plant/north/scale/floor/reading", body, 0))
        return found + (self._events(dice) if self.events else [])

    def _events(self, dice: random.Random) -> list[tuple[float, str, Any, int]]:
        found: list[tuple[float, str, Any, int]] = []
        for number, (opened, length, _, gun) in enumerate(self.shots):
            for name, t in (("gun_opened", opened), ("gun_closed", opened + length)):
                body: dict[str, Any] = {"event": name, "id": f"{name}-{number}", "gun": gun}
                body["setup"] = "impeller-barrier"
                if self.purpose is not None:
                    body["purpose"] = self.purpose
                if self.event_t:
                    body["t"] = T0_S + t + self.controller_ahead_s
                if body["id"] in self.lost:
                    continue
                arrived = T0_S + t + abs(dice.gauss(0.0, 0.02)) + self.events_late_s
                found.append((arrived, "plant/north/controller/event", body, 1))
                if self.events_twice:
                    found.append((arrived + 0.5, "plant/north/controller/event", body, 1))
        return found

    def _mass_g(self, t: float) -> float:
        mass_g = self.start_g - self.evaporation_g_per_s * t + self.also_g(t)
        for opened, length, flow, _ in self.shots:
            mass_g += flow / 60.0 * min(max(t - opened - self.valve_delay_s, 0.0), length + self.longer_s)
        return mass_g
