"""The container on the scale: what is in it, what leaves it, what is done to it."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from simulators.physics.fluids import Liquid

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Bump:
    """A knock, a tap, a lean or a draught on the pan: a force as apparent mass, g."""

    at_s: float
    lasts_s: float
    force_g: float
    rings_hz: float = 0.0
    """A knock makes the pan ring at this frequency; 0 for a steady push."""

    def force(self, t_s: Floats) -> Floats:
        """Apparent mass at each time, g."""
        x = (t_s - self.at_s) / self.lasts_s
        during = (x >= 0.0) & (x < 1.0)
        shape = np.sin(math.pi * np.clip(x, 0.0, 1.0))
        if self.rings_hz > 0.0:
            shape = np.exp(-4 * np.clip(x, 0.0, 1.0)) * np.cos(
                2 * math.pi * self.rings_hz * (t_s - self.at_s)
            )
        return np.where(during, self.force_g * shape, 0.0)


@dataclass(slots=True)
class Container:
    """A bucket on the pan."""

    tare_g: float = 350.0
    content_g: float = 0.0
    opening_m: float = 0.0
    """Diameter of the opening that solvent can evaporate through; 0 for a closed lid with a snug spout."""
    air_m_per_s: float = 0.1
    present: bool = True
    bumps: list[Bump] = field(default_factory=list)

    def evaporation_g_per_s(self, liquid: Liquid, celsius: float) -> float:
        """Present loss, g/s; nothing leaves an empty bucket."""
        if self.content_g <= 0.0 or not self.present:
            return 0.0
        return liquid.evaporation_g_per_s(celsius, self.opening_m, self.air_m_per_s)

    def force_g(self, t_s: Floats) -> Floats:
        """What bumps add to the load, apparent g."""
        total = np.zeros_like(t_s)
        for bump in self.bumps:
            total += bump.force(t_s)
        if t_s.size:
            self.bumps = [bump for bump in self.bumps if bump.at_s + bump.lasts_s > t_s[-1]]
        return total
