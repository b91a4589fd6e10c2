"""The pressure pot and its regulator."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(slots=True)
class Pot:
    """A pressure pot behind a regulator that droops under flow, ripples with the compressor, and may creep.

    The static droop is a straight line in the flow, as regulator makers draw it; the pressure follows it with
    one time constant. Setting, droop and ripple may be changed at any time.
    """

    set_bar: float = 0.5
    droop_bar_per_g_s: float = 0.002
    """Fall of the pressure for each g/s that flows."""
    follows_s: float = 1.5
    """Time constant of the regulator."""
    ripple_pct: float = 0.1
    """Half-height of the compressor's slow wave."""
    ripple_s: float = 37.0
    """Its period."""
    creep_pct_per_h: float = 0.0
    """How fast the regulator walks away from where it was set."""
    crept_pct: float = 0.0
    """How far it had walked when `start` or `set` was last called; setting it anew makes it 0."""
    drop_pct_per_s: float = 0.0
    """An exhausted supply: how fast the pressure falls while a gun is open."""
    _from_s: float = 0.0
    _from_bar: float = 0.5
    _demand: float = 0.0
    _crept_from_s: float = 0.0

    def start(self, at_s: float) -> None:
        """Stand at the setting, with all guns closed, from this time on."""
        self._from_s = self._crept_from_s = at_s
        self._from_bar = self.set_bar * (1 + self.crept_pct / 100)
        self._demand = 0.0

    def set(self, bar: float, at_s: float) -> None:
        """Turn the regulator to a pressure; creep starts anew."""
        self._hold(at_s)
        self.set_bar = bar
        self.crept_pct = 0.0
        self._crept_from_s = at_s

    def demand(self, conductance: float, at_s: float) -> None:
        """Guns whose conductances (g/s at one bar) sum to this are open from now on."""
        self._hold(at_s)
        self._demand = conductance

    def pressure_bar(self, t_s: Floats) -> Floats:
        """Gauge pressure at times since the last change, bar."""
        since_s = np.maximum(t_s - self._from_s, 0.0)
        static = self._static_bar(t_s)
        bar = static + (self._from_bar - static) * np.exp(-since_s / self.follows_s)
        bar = bar * (1 + self.ripple_pct / 100 * np.sin(2 * math.pi * t_s / self.ripple_s))
        if self._demand > 0.0 and self.drop_pct_per_s:
            bar = bar * np.exp(-self.drop_pct_per_s / 100 * since_s)
        return np.maximum(bar, 0.0)

    def _hold(self, at_s: float) -> None:
        """Keep the smooth part of the pressure as the start of the next stretch."""
        at = np.array([at_s])
        static = self._static_bar(at)[0]
        since_s = max(at_s - self._from_s, 0.0)
        self._from_bar = float(static + (self._from_bar - static) * math.exp(-since_s / self.follows_s))
        self._from_s = at_s

    def _static_bar(self, t_s: Floats) -> Floats:
        # p = ps - k c sqrt(p), with flow c sqrt(p): a quadratic in sqrt(p).
        hours = np.maximum(t_s - self._crept_from_s, 0.0) / 3600
        crept = (1 + self.crept_pct / 100) * (1 + self.creep_pct_per_h / 100 * hours)
        source = np.maximum(self.set_bar * crept, 0.0)
        droop = self.droop_bar_per_g_s * self._demand
        root = (-droop + np.sqrt(droop**2 + 4 * source)) / 2
        return np.asarray(root**2, dtype=np.float64)
