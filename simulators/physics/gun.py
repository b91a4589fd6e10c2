"""A spray gun used as a liquid valve: needle, nozzle, wear, plugging, drip, leak, and air in its hose."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from simulators.physics.orifice import annulus_mm2, bore_mm2, conductance, in_series_mm2
from simulators.physics.valve import Stroke, Valve

Floats = NDArray[np.float64]
KEPT_STROKES = 4


@dataclass(slots=True)
class Gun:
    """A gun: its needle in series with its nozzle, and the hose that feeds it.

    `wear_pct` is how much more flows than through new parts at the same setting and pressure; `plug_pct`
    how much less. Both act on the whole open area: a worn seat and a worn nozzle grow together.
    """

    name: str
    nozzle_mm: float = 0.8
    seat_mm: float = 1.4
    cone_deg: float = 20.0
    mm_per_turn: float = 0.25
    setting: float = 2.0
    """From closed, in the knob's own unit: turns, clicks."""
    discharge: float = 0.6
    wear_pct: float = 0.0
    plug_pct: float = 0.0
    repeatability_pct: float = 0.2
    """Standard deviation of the flow from shot to shot."""
    valve: Valve = field(default_factory=Valve)
    drip_g: float = 0.0
    """What drips after closing, in all."""
    drip_s: float = 1.5
    """Time constant of the dripping."""
    leak_g_per_s: float = 0.0
    """Through a needle that does not seal."""
    air_ml: float = 0.0
    """Air in the hose, seen as bubbles between the liquid; it leaves through the gun."""
    air_share: float = 0.5
    """Share of a bubbly stretch of hose that is air."""
    wear_pct_per_kg: float = 0.0
    plug_pct_per_kg: float = 0.0
    strokes: list[Stroke] = field(default_factory=list)
    _shot_factor: float = 1.0
    _bubbly_ml: float = 0.0

    def area_mm2(self) -> float:
        """Open area at the present setting, wear and plugging, mm2."""
        seat = annulus_mm2(self.setting * self.mm_per_turn, self.seat_mm, self.cone_deg)
        area = in_series_mm2(seat, bore_mm2(self.nozzle_mm))
        return area * (1 + self.wear_pct / 100) * max(1 - self.plug_pct / 100, 0.0)

    def conductance(self, density: float) -> float:
        """Flow at one bar with the valve open, g/s."""
        return conductance(self.area_mm2(), density, self.discharge) * self._shot_factor

    def open(self, at_s: float, rng: np.random.Generator) -> None:
        """The controller opens the trigger valve. Raises ValueError where it is open already."""
        if self.is_open:
            raise ValueError(f"gun {self.name} is open already")
        self._shot_factor = 1 + self.repeatability_pct / 100 * float(rng.standard_normal())
        self.strokes.append(Stroke(at_s + self.valve.opens_after_s, self.valve.opening_s))
        del self.strokes[:-KEPT_STROKES]

    def close(self, at_s: float) -> None:
        """The controller closes the trigger valve; nothing happens where it is closed."""
        if self.is_open:
            last = self.strokes[-1]
            begins_s = max(at_s + self.valve.closes_after_s, last.opening_from_s)
            self.strokes[-1] = Stroke(last.opening_from_s, last.opening_s, begins_s, self.valve.closing_s)

    @property
    def is_open(self) -> bool:
        """Whether the controller holds the trigger valve open."""
        return bool(self.strokes) and math.isinf(self.strokes[-1].closing_from_s)

    def is_flowing(self, at_s: float) -> bool:
        """Whether anything leaves the gun at this time or soon may: open, closing, dripping or leaking."""
        if self.leak_g_per_s > 0.0 or self.is_open:
            return True
        tail_s = 12 * self.drip_s if self.drip_g > 0.0 else 0.0
        return bool(self.strokes) and at_s < self.strokes[-1].shut_s + tail_s

    def mass_g(self, t_s: Floats, bar: Floats, density: float) -> Floats:
        """Mass that leaves the gun in each step between `t_s`, g.

        `t_s` has n + 1 times in rising order, `bar` the pressure in the middle of the n steps. Where air
        passes, less mass leaves, in spurts; the air's own weight is left out.
        """
        open_s = sum((stroke.open_time_s(t_s) for stroke in self.strokes), np.zeros_like(t_s))
        liquid = self.conductance(density) * np.sqrt(bar) * np.diff(open_s)
        if self.air_ml > 0.0 or self._bubbly_ml > 0.0:
            liquid = self._with_air(liquid, density)
        grams = liquid + self._drip(t_s) + self.leak_g_per_s * np.diff(t_s)
        passed_kg = float(liquid.sum()) / 1000
        self.wear_pct += self.wear_pct_per_kg * passed_kg
        self.plug_pct = min(self.plug_pct + self.plug_pct_per_kg * passed_kg, 99.0)
        return np.asarray(grams, dtype=np.float64)

    def _with_air(self, liquid: Floats, density: float) -> Floats:
        """Take the bubbles out of a flow: each millilitre that passes holds its share of air, in slugs."""
        passed_ml = np.cumsum(liquid) / density * 1000
        left_ml = self.air_ml / self.air_share
        bubbly = passed_ml < left_ml
        slugs = 1 + 0.8 * np.sin(2 * math.pi * (self._bubbly_ml + passed_ml) / 2.5)
        kept = np.where(bubbly, np.clip(1 - self.air_share * slugs, 0.02, 1.0), 1.0)
        used_ml = min(float(passed_ml[-1]), left_ml) if passed_ml.size else 0.0
        self.air_ml = max(self.air_ml - used_ml * self.air_share, 0.0)
        self._bubbly_ml = self._bubbly_ml + used_ml if self.air_ml > 1e-9 else 0.0
        return np.asarray(liquid * kept, dtype=np.float64)

    def _drip(self, t_s: Floats) -> Floats:
        dripped = np.zeros_like(t_s)
        if self.drip_g > 0.0:
            for stroke in self.strokes:
                if math.isfinite(stroke.closing_from_s):
                    since_s = np.maximum(t_s - stroke.shut_s, 0.0)
                    dripped = dripped + self.drip_g * -np.expm1(-since_s / self.drip_s)
        return np.diff(dripped)


def fit_to_target(gun: Gun, target_g_per_min: float, bar: float, density: float, turns: float = 2.0) -> None:
    """Choose nozzle, seat and thread so that the gun gives this flow at this pressure and setting.

    The nozzle alone would pass a third more than the target, so that the needle still has something to do:
    one turn then changes the flow by about a fifth. Raises ValueError where no such gun can be made.
    """
    if min(target_g_per_min, bar, density, turns) <= 0.0:
        raise ValueError(
            f"gun {gun.name} cannot be made for {target_g_per_min} g/min at {bar} bar and {turns} turns"
        )
    wanted_mm2 = target_g_per_min / 60 / (conductance(1.0, density, gun.discharge) * math.sqrt(bar))
    nozzle_mm2 = 1.35 * wanted_mm2
    gun.nozzle_mm = math.sqrt(4 * nozzle_mm2 / math.pi)
    needle_mm2 = (wanted_mm2**-2 - nozzle_mm2**-2) ** -0.5
    gun.seat_mm = 1.9 * gun.nozzle_mm
    low, high = 0.0, gun.seat_mm * 4
    for _ in range(60):
        lift = (low + high) / 2
        if annulus_mm2(lift, gun.seat_mm, gun.cone_deg) < needle_mm2:
            low = lift
        else:
            high = lift
    gun.setting = turns
    gun.mm_per_turn = low / turns


def turn_to(gun: Gun, conductance_g_s: float, density: float, *, most_turns: float = 20.0) -> bool:
    """Turn a gun's knob until it has this conductance (g/s at one bar); False where no setting has it."""
    low, high = 0.0, most_turns
    for _ in range(60):
        gun.setting = (low + high) / 2
        if gun.conductance(density) < conductance_g_s:
            low = gun.setting
        else:
            high = gun.setting
    return abs(gun.conductance(density) - conductance_g_s) < 1e-3 * conductance_g_s
