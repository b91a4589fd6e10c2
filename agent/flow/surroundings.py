"""What is known around a dispense when it is measured: fluid, pressure, air, scale, gun and earlier shots."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from agent.contract.plan import Fluid, Gun, Scale
from agent.detection.window import Floats
from agent.flow.learned import Learned


@dataclass(frozen=True, slots=True, eq=False)
class PotReadings:
    """The pot's gauge pressure while the window lasted."""

    t_s: Floats
    """Epoch seconds on the scale's clock, rising, shape (n,)."""
    bar: Floats
    """Gauge pressure, shape (n,)."""

    def mean_between(self, start_s: float, end_s: float) -> float | None:
        """Mean pressure of the readings with `start_s` <= t < `end_s`; the last one before where none is."""
        inside = (self.t_s >= start_s) & (self.t_s < end_s) & np.isfinite(self.bar)
        if inside.any():
            return float(np.mean(self.bar[inside]))
        before = (self.t_s < start_s) & np.isfinite(self.bar)
        return float(self.bar[before][-1]) if before.any() else None


@dataclass(frozen=True, slots=True)
class Surroundings:
    """Everything outside the scale's readings that a measurement of a dispense may use."""

    scale: Scale
    fluid: Fluid | None = None
    fluid_c: float | None = None
    """Temperature of the fluid, C; where it is None the air's is taken, with a wide uncertainty."""
    pot: PotReadings | None = None
    setpoint_bar: float | None = None
    air_temperature_c: float = 20.0
    air_pressure_hpa: float = 1013.25
    air_humidity_pct: float = 50.0
    gun: Gun | None = None
    learned: Learned = field(default_factory=Learned)
