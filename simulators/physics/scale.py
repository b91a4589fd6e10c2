"""A scale: load cell, filter, drift, noise, rounding, stability flag, zero tracking, overload, tare."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
INNER_STEP_S = 0.02
"""The load cell is followed at least this finely."""
WEIGHTS_DENSITY = 8000.0
"""kg/m3: scales are adjusted with weights of this conventional density (OIML D 28)."""
G_M_PER_S2 = 9.80665
_BLOCK = 64


@dataclass(slots=True)
class ScaleSpec:
    """What a scale is like. Masses in g, times in s; `d` is its resolution."""

    name: str = "floor"
    resolution_g: float = 0.1
    capacity_g: float = 6100.0
    rate_hz: float = 10.0
    lag_s: float = 0.25
    """Time constant of load cell and filter together (one pole)."""
    noise_g: float = 0.05
    """Standard deviation of its own noise after the filter."""
    vibration_g: float = 0.0
    """Half-height of the floor's vibration before the filter."""
    vibration_hz: float = 12.3
    stable_within_d: float = 2.0
    """Readings within so many d over `stable_for_s` count as stable."""
    stable_for_s: float = 0.7
    zero_tracking_d_per_s: float = 0.0
    """How fast the scale pulls a reading near zero back to zero; 0 switches it off."""
    warm_up_g: float = 0.0
    """How far the reading still has to drift when it is switched on."""
    warm_up_s: float = 900.0
    sensitivity_error: float = 0.0
    """Relative error of its adjustment."""
    overload_d: float = 9.0
    """So many d above capacity it shows overload and no number (OIML R 76-1)."""

    @property
    def inner_steps(self) -> int:
        """Steps of the load cell for each reading."""
        return max(1, math.ceil(1 / (self.rate_hz * INNER_STEP_S)))


@dataclass(frozen=True, slots=True)
class Readings:
    """A stretch of readings."""

    t_s: Floats
    mass_g: Floats
    """Indicated, rounded to the resolution; NaN where the scale shows overload."""
    stable: NDArray[np.bool_]


@dataclass(slots=True)
class Scale:
    """One scale, read stretch by stretch: what it remembers from one to the next lives here."""

    spec: ScaleSpec
    rng: np.random.Generator
    tare_g: float = 0.0
    switched_on_s: float = 0.0
    _filtered_g: float | None = None
    _gross_g: float = 0.0
    _tail: Floats = field(default_factory=lambda: np.zeros(0))

    def switch_on(self, at_s: float) -> None:
        """Power comes: the filter is empty, warming up begins. The tare is lost."""
        self.switched_on_s = at_s
        self.tare_g = 0.0
        self._filtered_g = None
        self._tail = np.zeros(0)

    def read(self, t_s: Floats, load_g: Floats) -> Readings:
        """Readings of a load given at the load cell's own steps: one for each `inner_steps` of them.

        `t_s` and `load_g` have a whole multiple of `inner_steps` values; the reading is the last of each.
        Raises ValueError where they do not.
        """
        steps = self.spec.inner_steps
        if t_s.shape != load_g.shape or t_s.size % steps:
            raise ValueError(f"{t_s.size} steps are no whole number of readings of {steps} steps")
        load = load_g * (1 + self.spec.sensitivity_error)
        if self.spec.vibration_g > 0.0:
            load = load + self._vibration(t_s)
        filtered = self._filter(load)[steps - 1 :: steps]
        at_s = t_s[steps - 1 :: steps]
        shown = filtered + self.spec.noise_g * self.rng.standard_normal(at_s.size)
        if self.spec.warm_up_g:
            shown = shown - self.spec.warm_up_g * np.exp(-(at_s - self.switched_on_s) / self.spec.warm_up_s)
        if shown.size:
            self._gross_g = float(shown[-1])
        over = shown > self.spec.capacity_g + self.spec.overload_d * self.spec.resolution_g
        net = self._track_zero(shown - self.tare_g)
        d = self.spec.resolution_g
        rounded = np.round(np.round(net / d) * d, 6) + 0.0
        rounded[over] = np.nan
        return Readings(at_s, rounded, self._stability(rounded))

    def zero(self) -> None:
        """The zero or tare key: what lies on the pan now counts as nothing."""
        self.tare_g = self._gross_g

    def _filter(self, load: Floats) -> Floats:
        """One pole, y' = (x - y)/lag, exact for a load that holds through each step."""
        if self.spec.lag_s <= 0.0 or not load.size:
            return load
        if self._filtered_g is None:
            self._filtered_g = float(load[0])
        a = math.exp(-1 / (self.spec.rate_hz * self.spec.inner_steps * self.spec.lag_s))
        # Blocks as a matrix product: scipy.signal would take most of a second to import.
        lags = np.subtract.outer(np.arange(_BLOCK), np.arange(_BLOCK))
        weights = np.where(lags >= 0, (1 - a) * a ** np.maximum(lags, 0.0), 0.0)
        padded = np.concatenate([load, np.zeros(-load.size % _BLOCK)]).reshape(-1, _BLOCK)
        forced = padded @ weights.T
        decay = a ** np.arange(1, _BLOCK + 1)
        starts = np.empty(forced.shape[0])
        state = self._filtered_g
        for row, end in enumerate(forced[:, -1]):
            starts[row] = state
            state = float(end) + decay[-1] * state
        filtered = (forced + starts[:, None] * decay).ravel()[: load.size]
        self._filtered_g = float(filtered[-1])
        return np.asarray(filtered, dtype=np.float64)

    def _vibration(self, t_s: Floats) -> Floats:
        # Two incommensurable tones: a machine's frame and its first overtone, slowly beating.
        hz = self.spec.vibration_hz
        tone = np.sin(2 * math.pi * hz * t_s) + 0.5 * np.sin(2 * math.pi * 1.93 * hz * t_s + 1.0)
        beat = 1 + 0.3 * np.sin(2 * math.pi * 0.11 * t_s)
        return np.asarray(self.spec.vibration_g * tone * beat / 1.5, dtype=np.float64)

    def _track_zero(self, net: Floats) -> Floats:
        if self.spec.zero_tracking_d_per_s <= 0.0:
            return net
        near_g = 0.5 * self.spec.resolution_g
        most_g = self.spec.zero_tracking_d_per_s * self.spec.resolution_g / self.spec.rate_hz
        tracked = net.copy()
        moved = 0.0
        for i, value in enumerate(net):
            here = float(value) - moved
            if abs(here) < near_g:
                step = min(max(here, -most_g), most_g)
                moved += step
                here -= step
            tracked[i] = here
        self.tare_g += moved
        return tracked

    def _stability(self, shown: Floats) -> NDArray[np.bool_]:
        needed = max(2, round(self.spec.stable_for_s * self.spec.rate_hz))
        history = np.concatenate([np.full(max(0, needed - 1 - self._tail.size), np.inf), self._tail, shown])
        self._tail = history[history.size - (needed - 1) :]
        windows = np.lib.stride_tricks.sliding_window_view(history, needed)
        with np.errstate(invalid="ignore"):
            spread = windows.max(axis=1) - windows.min(axis=1)
        # A window with overload or from before switching on is NaN here and never stable.
        return np.asarray(spread <= self.spec.stable_within_d * self.spec.resolution_g + 1e-9)


def apparent_g(true_g: Floats, liquid_density: float, air_density: float = 1.199) -> Floats:
    """What a rightly adjusted scale shows for a true mass of liquid, g (ISO 4185: buoyancy in air).

    Air of 1.199 kg/m3 is that at 20 C, 1013.25 hPa, 50 % humidity (CIPM-2007).
    """
    return true_g * (1 - air_density / liquid_density) / (1 - air_density / WEIGHTS_DENSITY)


def jet_g(flow_g_per_s: Floats, speed_m_per_s: Floats, share: float = 1.0) -> Floats:
    """Apparent mass of a jet that the container stops, g: F = m' v, over g. `share` of it reaches the pan."""
    return share * flow_g_per_s * speed_m_per_s / G_M_PER_S2
