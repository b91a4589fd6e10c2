"""What goes on around a dispense: pot pressure and fluid temperature, remembered for a while."""

from __future__ import annotations

from collections import deque
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from agent.contract.inputs import FluidTemperature, PotPressure

Floats = NDArray[np.float64]

KEPT = 4096
"""Pressure readings kept: over six minutes at 10 Hz, longer than any dispense."""
TEMPERATURE_VALID_S = 4 * 3600.0
"""A fluid temperature older than this says nothing of the fluid in the pot."""
PRESSURE_VALID_S = 60.0
"""A pot pressure older than this before a dispense says nothing of it."""


class PotAndFluid:
    """The last pressures and the last temperature of a cell, on the arrival clock."""

    def __init__(self) -> None:
        self._pressures: deque[tuple[float, float]] = deque(maxlen=KEPT)
        self._temperature: FluidTemperature | None = None

    def pressure(self, reading: PotPressure) -> None:
        """Remember a pressure."""
        self._pressures.append((reading.arrived_s, reading.pressure_bar))

    def temperature(self, reading: FluidTemperature) -> None:
        """Remember a temperature."""
        self._temperature = reading

    def clock_set(self, by_s: float) -> None:
        """Our own clock was set: what was heard before is dated anew."""
        self._pressures = deque(((t + by_s, bar) for t, bar in self._pressures), maxlen=KEPT)
        if self._temperature is not None:
            self._temperature = replace(self._temperature, arrived_s=self._temperature.arrived_s + by_s)

    def temperature_c(self, at_s: float) -> float | None:
        """The fluid's temperature at a time (arrival clock), None where none is recent enough."""
        last = self._temperature
        if last is None or not -60.0 <= at_s - last.arrived_s <= TEMPERATURE_VALID_S:
            return None
        return last.temperature_c

    def pressures(self, from_s: float, to_s: float) -> tuple[Floats, Floats] | None:
        """Times (arrival clock) and pressures within an interval, shape (n,) each.

        Where none was read inside it, the last one before counts, if it is recent; None where there is none.
        """
        inside = [(t, p) for t, p in self._pressures if from_s <= t < to_s]
        if not inside:
            before = [(t, p) for t, p in self._pressures if from_s - PRESSURE_VALID_S <= t < from_s]
            inside = before[-1:]
        if not inside:
            return None
        times, values = zip(*inside, strict=True)
        return np.asarray(times), np.asarray(values)
