"""A weighing place: a scale, the container on it, and the guns that shoot into it."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

from simulators.messages import Message, TimeForm
from simulators.physics.container import Container
from simulators.physics.fluids import Liquid
from simulators.physics.gun import Gun
from simulators.physics.orifice import jet_speed_m_per_s
from simulators.physics.pot import Pot
from simulators.physics.scale import Readings, Scale, ScaleSpec, apparent_g, jet_g

Floats = NDArray[np.float64]
Unit: TypeAlias = Literal["g", "kg", "mg", "oz", "lb"]
GRAMS: dict[str, float] = {"g": 1.0, "kg": 1000.0, "mg": 0.001, "oz": 28.349523125, "lb": 453.59237}
"""Avoirdupois ounce and pound, exact (international yard and pound agreement, 1959)."""
LONGEST_STRETCH = 6000
"""Readings worked out at once: bounds the memory, whatever is asked for."""


@dataclass(slots=True)
class Voice:
    """How a scale speaks."""

    unit: Unit = "g"
    t_form: TimeForm = "epoch"
    bare: bool = False
    """A bare number as payload: no time, no flag, no sequence number."""
    stable_flag: bool = True
    sequence: bool = True
    clock_offset_s: float = 0.0
    idle_every_s: float = 0.0
    """While nobody works at the cell, one reading in so many seconds; 0 sends every reading."""


@dataclass(slots=True)
class Network:
    """What happens to readings on their way to the broker."""

    delay_s: float = 0.004
    jitter_s: float = 0.002
    """Mean of an exponential on top of the delay."""
    lost_pct: float = 0.0
    doubled_pct: float = 0.0
    stalled_pct: float = 0.0
    """Readings held up by `stall_s`; what follows waits behind them, as on one connection."""
    stall_s: float = 0.8


@dataclass(slots=True)
class Surroundings:
    """What a weighing place shares with the rest of the cell."""

    pot: Pot
    liquid: Liquid
    celsius: float
    jet_share: float = 0.5
    """How much of the jet's momentum the container takes up."""
    pressure_every_s: float = 1.0
    """How often the pot's pressure is told; 0 for a pot that tells nothing."""
    idle_pressure_every_s: float = 1.0
    """The same while nobody works at the cell."""
    temperature_every_s: float = 10.0
    """How often the fluid's temperature is told; 0 for never."""


@dataclass(slots=True)
class Station:
    """One scale, read from the cell's beginning (time 0 of its own clock) onwards."""

    topic: str
    start_s: float
    """Epoch seconds of time 0."""
    scale: Scale
    container: Container
    around: Surroundings
    rng: np.random.Generator
    """For the network alone, so that a scale behaves the same however well it is connected."""
    voice: Voice = field(default_factory=Voice)
    network: Network = field(default_factory=Network)
    plugged_in: bool = True
    rests_on_g: float = 0.0
    """Weight taken off the pan or added by what the container touches."""
    on_mass: Callable[[Gun, float], None] = lambda _gun, _grams: None
    """Told what left each gun."""
    _next: int = 0
    _seq: int = 0
    _arrived_s: float = -math.inf
    _spoken_s: float = -math.inf

    def advance(self, to_s: float, guns: list[Gun], *, attended: bool) -> list[Message]:
        """All whole readings up to this time. `guns` are those that shoot into the container."""
        spec = self.scale.spec
        messages: list[Message] = []
        last = math.floor(to_s * spec.rate_hz + 1e-9)
        while self._next < last:
            until = min(last, self._next + LONGEST_STRETCH)
            messages.extend(self._stretch(self._next, until, guns, attended=attended))
            self._next = until
        return messages

    def replace_scale(self, spec: ScaleSpec) -> None:
        """Change what the scale is like from now on; its rate cannot change."""
        if spec.rate_hz != self.scale.spec.rate_hz:
            raise ValueError("the rate of a scale cannot change while it is read")
        self.scale.spec = spec

    def _stretch(self, first: int, until: int, guns: list[Gun], *, attended: bool) -> list[Message]:
        spec = self.scale.spec
        steps = spec.inner_steps
        t = np.arange(first * steps, until * steps + 1, dtype=np.float64) / (spec.rate_hz * steps)
        load = self._load(t, guns)
        if not self.plugged_in:
            return []
        return self._spoken(self.scale.read(t[1:], load), attended=attended)

    def _load(self, t: Floats, guns: list[Gun]) -> Floats:
        """The load on the pan at the end of each step, apparent g."""
        around, inside = self.around, self.container
        density = around.liquid.density(around.celsius)
        n = t.size - 1
        evaporates = inside.evaporation_g_per_s(around.liquid, around.celsius) * np.diff(t)
        gained = -evaporates
        jet = np.zeros(n)
        if any(gun.is_flowing(t[0]) for gun in guns):
            middle = (t[:-1] + t[1:]) / 2
            bar = around.pot.pressure_bar(middle)
            for gun in guns:
                grams = gun.mass_g(t, bar, density)
                self.on_mass(gun, float(grams.sum()) - gun.leak_g_per_s * float(t[-1] - t[0]))
                gained = gained + grams
            speed = jet_speed_m_per_s(1.0, density) * np.sqrt(bar)
            jet = jet_g((gained + evaporates) / np.diff(t), speed, around.jet_share)
        if not inside.present:
            return np.full(n, max(self.rests_on_g, 0.0)) + inside.force_g(t[1:])
        content = inside.content_g + np.cumsum(gained)
        inside.content_g = max(float(content[-1]), 0.0)
        content = np.maximum(content, 0.0)
        load = inside.tare_g + apparent_g(content, density) + jet + self.rests_on_g
        return load + inside.force_g(t[1:]) if inside.bumps else load

    def _spoken(self, readings: Readings, *, attended: bool) -> list[Message]:
        if self.voice.idle_every_s > 0.0 and not attended:
            readings = self._thinned(readings)
        n = readings.t_s.size
        if not n:
            return []
        arrives = self._arrivals(readings.t_s)
        said = [
            Message(at_s, self.topic, payload)
            for at_s, payload in zip(arrives, self._payloads(readings), strict=True)
        ]
        if self.network.doubled_pct:
            doubled = self.rng.random(n) < self.network.doubled_pct / 100
            said = [again for one, twice in zip(said, doubled, strict=True) for again in [one] * (1 + twice)]
        if self.network.lost_pct:
            kept = self.rng.random(len(said)) >= self.network.lost_pct / 100
            said = [one for one, stays in zip(said, kept, strict=True) if stays]
        self._spoken_s = float(readings.t_s[-1])
        return said

    def _thinned(self, readings: Readings) -> Readings:
        """One reading in every so many seconds since the last one that was sent."""
        every_s = self.voice.idle_every_s
        kept: list[int] = []
        next_s = self._spoken_s + every_s if math.isfinite(self._spoken_s) else float(readings.t_s[0])
        while True:
            i = int(np.searchsorted(readings.t_s, next_s - 1e-9))
            if i >= readings.t_s.size:
                return Readings(readings.t_s[kept], readings.mass_g[kept], readings.stable[kept])
            kept.append(i)
            next_s = float(readings.t_s[i]) + every_s

    def _arrivals(self, t: Floats) -> list[float]:
        net = self.network
        late = np.full(t.size, net.delay_s)
        if net.jitter_s:
            late = late + net.jitter_s * self.rng.standard_exponential(t.size)
        if net.stalled_pct:
            late = late + net.stall_s * (self.rng.random(t.size) < net.stalled_pct / 100)
        arrives = np.maximum.accumulate(np.concatenate([[self._arrived_s], self.start_s + t + late]))[1:]
        self._arrived_s = float(arrives[-1])
        return [float(at) for at in arrives]

    def _payloads(self, readings: Readings) -> list[bytes]:
        voice = self.voice
        unit_g = GRAMS[voice.unit]
        decimals = max(0, round(-math.log10(self.scale.spec.resolution_g / unit_g) + 0.499))
        values = [None if math.isnan(g) else f"{g / unit_g:.{decimals}f}" for g in readings.mass_g.tolist()]
        if voice.bare:
            return [b"" if value is None else value.encode() for value in values]
        first = self._seq
        self._seq += len(values)
        stamps = self._stamps(readings.t_s)
        flags = readings.stable.tolist()
        out: list[bytes] = []
        for i, value in enumerate(values):
            text = f'{{"value":{value if value is not None else "null"},"unit":"{voice.unit}"{stamps[i]}'
            if voice.stable_flag:
                text += ',"stable":true' if flags[i] else ',"stable":false'
            if value is None:
                text += ',"overload":true'
            if voice.sequence:
                text += f',"seq":{first + i}'
            out.append((text + "}").encode())
        return out

    def _stamps(self, t: Floats) -> list[str]:
        from agent.contract.times import rfc3339

        epoch = (self.start_s + self.voice.clock_offset_s + t).tolist()
        if self.voice.t_form == "none":
            return [""] * len(epoch)
        if self.voice.t_form == "rfc3339":
            return [f',"t":"{rfc3339(at)}"' for at in epoch]
        return [f',"t":{at:.3f}' for at in epoch]
