"""A scale and a controller to write down on paper: what flowed when, what was put down, what was told."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pytest

from agent.contract.inputs import ControllerEvent, ScaleReading
from agent.contract.plan import Cell, Gun, Plan, Scale, Setup, Shift
from agent.detection.detector import Detector
from agent.detection.window import Window

T0 = 1_700_000_000.0


@dataclass
class Paper:
    """One cell on paper. Times in seconds from T0 on the true clock."""

    lasts_s: float = 60.0
    rate_hz: float = 10.0
    resolution_g: float = 0.1
    noise_g: float = 0.04
    lag_s: float = 0.2
    capacity_g: float = 6100.0
    target_g_per_min: float = 96.0
    shot_s: float = 20.0
    bleed_s: float = 0.0
    shift_setups: tuple[str, ...] = ()
    guns: tuple[str, ...] = ("upper",)
    scales: tuple[str, ...] = ("floor",)
    has_controller: bool = True
    start_g: float = 350.0
    seed: int = 1
    scale_ahead_s: float = 0.0
    controller_ahead_s: float = 0.0
    reading_late_s: float = 0.02
    scale_has_clock: bool = True
    flows: list[tuple[str, float, float, float]] = field(default_factory=list)
    """(scale, from, to, g/s)."""
    steps: list[tuple[float, float]] = field(default_factory=list)
    """(when, g) on every scale."""
    bumps: list[tuple[float, float, float]] = field(default_factory=list)
    """(when, how long, g): half a sine."""
    evaporation_g_per_s: float = 0.0
    events: list[tuple[float, ControllerEvent]] = field(default_factory=list)
    """(arrival from T0, event)."""
    _n: int = 0

    def cell(self) -> Cell:
        scales = tuple(Scale(name, self.resolution_g, self.capacity_g) for name in self.scales)
        guns = tuple(Gun(name, self.scales[i % len(self.scales)]) for i, name in enumerate(self.guns))
        shifts = tuple(Shift(f"s{i}", (0,), "06:00", 30.0, s) for i, s in enumerate(self.shift_setups))
        return Cell("north", scales, guns, shifts, has_controller=self.has_controller)

    def plan(self) -> Plan:
        setups = tuple(
            Setup(name, "water", self.target_g_per_min, shot_s=self.shot_s, bleed_s=self.bleed_s)
            for name in ("impeller", "housing")
        )
        return Plan("edge", "plant", "UTC", (self.cell(),), setups, ())

    def tell(
        self, event: str, at_s: float, late_s: float = 0.03, arrives_s: float | None = None, **more: Any
    ) -> ControllerEvent:
        """An event of the controller's; gives it back to be told twice."""
        self._n += 1
        arrives_s = at_s + late_s if arrives_s is None else arrives_s
        known = {"event_id": f"e{self._n}", "t_s": T0 + at_s + self.controller_ahead_s}
        told = ControllerEvent("north", event, arrived_s=T0 + arrives_s, **{**known, **more})  # type: ignore[arg-type]
        self.events.append((arrives_s, told))
        return told

    def shot(
        self,
        from_s: float,
        to_s: float,
        g_per_s: float = 1.6,
        *,
        gun: str = "upper",
        opened: bool = True,
        closed: bool = True,
        **more: Any,
    ) -> None:
        """Liquid flows and the controller tells of it, or of a part of it."""
        scale = self.scales[self.guns.index(gun) % len(self.scales)] if gun in self.guns else self.scales[0]
        if g_per_s:
            self.flows.append((scale, from_s + 0.05, to_s + 0.05, g_per_s))
        if opened:
            self.tell("gun_opened", from_s, gun=gun, **more)
        if closed:
            self.tell("gun_closed", to_s, gun=gun, **more)

    def mass(self, scale: str) -> tuple[np.ndarray, np.ndarray]:
        """True times and what the scale shows, rounded."""
        rng = np.random.default_rng([self.seed, self.scales.index(scale)])
        fine = np.arange(0.0, self.lasts_s, 0.02)
        load = self.start_g - self.evaporation_g_per_s * fine
        for name, a, b, flow in self.flows:
            if name == scale:
                load = load + flow * np.clip(fine - a, 0.0, b - a)
        for step_s, grams in self.steps:
            load = load + grams * np.clip((fine - step_s) / 0.15, 0.0, 1.0)
        for bump_s, lasts, grams in self.bumps:
            x = (fine - bump_s) / lasts
            load = load + np.where((x > 0) & (x < 1), grams * np.sin(np.pi * np.clip(x, 0, 1)), 0.0)
        shown = np.empty_like(load)
        level, a = load[0], 1 - np.exp(-0.02 / self.lag_s)
        for i, value in enumerate(load):
            level += a * (value - level)
            shown[i] = level
        at = np.arange(0.0, self.lasts_s - 0.03, 1.0 / self.rate_hz)
        seen = np.interp(at, fine, shown) + self.noise_g * rng.standard_normal(at.size)
        return at, np.round(seen / self.resolution_g) * self.resolution_g

    def messages(self) -> list[ScaleReading | ControllerEvent]:
        """Everything in order of arrival."""
        came: list[tuple[float, int, ScaleReading | ControllerEvent]] = []
        for scale in self.scales:
            for i, (at, grams) in enumerate(zip(*self.mass(scale), strict=True)):
                arrived = at + self.reading_late_s
                t = arrived if not self.scale_has_clock else at + self.scale_ahead_s
                over = grams > self.capacity_g
                reading = ScaleReading(
                    "north",
                    scale,
                    T0 + float(t),
                    T0 + float(arrived),
                    None if over else float(grams),
                    from_arrival=not self.scale_has_clock,
                    seq=i,
                    overload=bool(over),
                )
                came.append((arrived, 1, reading))
        came += [(arrived, 0, event) for arrived, event in self.events]
        came.sort(key=lambda one: one[:2])
        return [message for _, _, message in came]


@dataclass(frozen=True)
class Play:
    """What a detector gave."""

    windows: list[Window]
    at_finish: list[Window]
    detector: Detector

    @property
    def all(self) -> list[Window]:
        return [*self.windows, *self.at_finish]


def feed(detector: Detector, messages: list[ScaleReading | ControllerEvent]) -> list[Window]:
    """Give messages to a detector."""
    windows: list[Window] = []
    for message in messages:
        if isinstance(message, ScaleReading):
            windows += detector.reading(message)
        else:
            windows += detector.event(message)
    return windows


def play(paper: Paper, messages: list[ScaleReading | ControllerEvent] | None = None) -> Play:
    """Play a paper, or these messages, through a detector of its cell."""
    detector = Detector(paper.cell(), paper.plan())
    windows = feed(detector, paper.messages() if messages is None else messages)
    return Play(windows, detector.finish(), detector)


def rise_g(window: Window) -> float:
    """Mean after less mean before, the simple way."""
    before = window.mass_g[window.t_s < window.opened_s - 0.1]
    after = window.mass_g[window.t_s > window.closed_s + 1.5]
    return float(after.mean() - before.mean())


@pytest.fixture
def paper() -> Callable[..., Paper]:
    return Paper


@pytest.fixture
def run() -> Callable[..., Play]:
    return play


@pytest.fixture
def give() -> Callable[..., list[Window]]:
    return feed


@pytest.fixture
def grams() -> Callable[[Window], float]:
    return rise_g


@pytest.fixture
def changed() -> Callable[..., ScaleReading]:
    return replace
