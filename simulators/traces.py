"""One random shot on one scale, with its truth: what an estimator of the flow is measured against.

The curve comes from the physics in `simulators.physics`, followed every few milliseconds, and never from any
formula of an estimator. What is not modelled is said there.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal, TypeAlias, get_args

import numpy as np
from numpy.typing import NDArray

from simulators.physics.container import Bump
from simulators.physics.fluids import LIQUIDS, Liquid
from simulators.physics.gun import Gun, fit_to_target
from simulators.physics.orifice import jet_speed_m_per_s
from simulators.physics.pot import Pot
from simulators.physics.scale import Scale, ScaleSpec, apparent_g, jet_g
from simulators.physics.valve import Valve

Floats = NDArray[np.float64]
Family: TypeAlias = Literal[
    "clean",
    "evaporating",
    "vibrating",
    "coarse_1g",
    "slow_2hz",
    "untidy_network",
    "no_controller",
    "nuisances",
    "spoiled",
    "short_3_to_6s",
    "dripping",
]
FAMILIES: tuple[Family, ...] = get_args(Family)
EPOCH_S = 1_780_000_000.0
"""Where the traces begin: a morning in 2026."""


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """One shot: what an agent would see of it, and what really happened."""

    family: Family
    t_s: Floats
    """Times of the readings on the scale's clock (arrivals in `untidy_network`), rising, epoch seconds."""
    mass_g: Floats
    """Indicated, apparent mass; NaN where the scale showed overload."""
    stable: NDArray[np.bool_]
    controller: bool
    """Whether the estimator may be told `opened_s`, `closed_s` and `open_s`."""
    opened_s: float
    """When the controller opened the gun, on the readings' clock (off by the network's delay when untidy)."""
    closed_s: float
    open_s: float
    """Commanded open time; where there is no controller, the full-area time that the valve was open."""
    true_mass_g: float
    """Mass in vacuo that left the gun for the container, drip and all."""
    true_flow_g_per_min: float
    """60 x `true_mass_g` / `open_s`."""
    resolution_g: float
    capacity_g: float
    rate_hz: float
    fluid: str
    density: float
    """Of the liquid, kg/m3."""
    fluid_c: float
    pot_pressure_bar: float
    """As set."""
    evaporation_g_per_s: float
    """The container's mean loss."""
    drip_g: float
    lag_s: float
    open_delay_s: float
    close_delay_s: float
    spoiled: bool
    """The shot must be rejected: its mass cannot be known."""
    notes: tuple[str, ...]


@dataclass(slots=True)
class _Case:
    """What is drawn for one trace before it is played."""

    liquid: Liquid
    celsius: float
    gun: Gun
    pot: Pot
    scale: ScaleSpec
    shot_s: float
    before_s: float
    after_s: float
    evaporation: float
    draught: float
    jet_share: float
    bumps: list[Bump]
    notes: list[str]
    step_g: float = 0.0
    step_at_s: float = math.inf
    step_lasts_s: float = 0.3
    controller: bool = True
    spoiled: bool = False


def random_trace(rng: np.random.Generator, family: Family) -> Trace:
    """One random shot of a family, with its truth. The same generator state gives the same trace.

    Raises ValueError for an unknown family.
    """
    if family not in FAMILIES:
        raise ValueError(f"no family of traces called {family!r}; there are: {', '.join(FAMILIES)}")
    case = _draw(rng, family)
    _CHANGES.get(family, _nothing)(rng, case)
    return _play(rng, family, case)


def _draw(rng: np.random.Generator, family: Family) -> _Case:
    """A shot as it goes on a good day."""
    liquid = LIQUIDS[str(rng.choice(list(LIQUIDS)))]
    celsius = float(rng.uniform(15.0, 28.0))
    bar = float(rng.uniform(0.3, 2.0))
    flow = float(rng.uniform(60.0, 300.0))
    shot_s = float(rng.uniform(3.0, 6.0) if family == "short_3_to_6s" else rng.uniform(12.0, 40.0))
    valve = Valve(
        opens_after_s=float(rng.uniform(0.02, 0.15)),
        opening_s=float(rng.uniform(0.02, 0.08)),
        closes_after_s=float(rng.uniform(0.02, 0.12)),
        closing_s=float(rng.uniform(0.02, 0.06)),
    )
    gun = Gun("gun", valve=valve)
    fit_to_target(gun, flow, bar, liquid.density(celsius), float(rng.uniform(1.2, 3.5)))
    pot = Pot(
        set_bar=bar,
        droop_bar_per_g_s=float(rng.uniform(0.0, 0.01)) * bar,
        follows_s=float(rng.uniform(0.5, 4.0)),
        ripple_pct=float(rng.uniform(0.0, 0.3)),
        ripple_s=float(rng.uniform(15.0, 60.0)),
    )
    d = float(rng.choice([0.01, 0.1]))
    scale = ScaleSpec(
        resolution_g=d,
        rate_hz=float(rng.choice([5.0, 10.0, 20.0])),
        lag_s=float(rng.uniform(0.05, 0.5)),
        noise_g=float(rng.uniform(0.03, 0.07)) if d == 0.1 else float(rng.uniform(0.01, 0.03)),
    )
    return _Case(
        liquid,
        celsius,
        gun,
        pot,
        scale,
        shot_s,
        before_s=float(rng.uniform(10.0, 20.0)),
        after_s=float(rng.uniform(12.0, 25.0)),
        evaporation=float(rng.uniform(0.0, 0.0002)),
        draught=0.0,
        jet_share=float(rng.uniform(0.1, 0.9)),
        bumps=[],
        notes=[],
    )


def _nothing(_rng: np.random.Generator, _case: _Case) -> None:
    """A good day stays a good day."""


def _evaporating(rng: np.random.Generator, case: _Case) -> None:
    case.evaporation = float(rng.uniform(0.003, 0.02))
    case.draught = float(rng.uniform(0.0, 0.3))
    case.notes.append("open container")


def _vibrating(rng: np.random.Generator, case: _Case) -> None:
    d = case.scale.resolution_g
    case.scale = replace(
        case.scale,
        vibration_g=float(rng.uniform(0.5, 5.0)),
        vibration_hz=float(rng.uniform(7.0, 24.0)),
        noise_g=max(case.scale.noise_g, float(rng.uniform(0.5, 1.5)) * d),
    )
    case.notes.append("the floor shakes")


def _coarse(rng: np.random.Generator, case: _Case) -> None:
    case.scale = replace(case.scale, resolution_g=1.0, noise_g=float(rng.uniform(0.03, 0.2)))


def _slow(rng: np.random.Generator, case: _Case) -> None:
    case.scale = replace(case.scale, rate_hz=2.0, lag_s=float(rng.uniform(0.2, 0.8)))


def _dripping(rng: np.random.Generator, case: _Case) -> None:
    shot_g = (
        case.gun.conductance(case.liquid.density(case.celsius)) * math.sqrt(case.pot.set_bar) * case.shot_s
    )
    case.gun.drip_g = float(rng.uniform(0.005, 0.03)) * shot_g
    case.gun.drip_s = float(rng.uniform(0.5, 2.5))
    case.notes.append("drips after closing")


def _no_controller(_rng: np.random.Generator, case: _Case) -> None:
    case.controller = False


def _nuisances(rng: np.random.Generator, case: _Case) -> None:
    total_s = case.before_s + case.shot_s + case.after_s
    for _ in range(int(rng.integers(1, 5))):
        at_s = float(rng.uniform(1.0, total_s - 2.0))
        kind = str(rng.choice(["bump", "tap", "draught"]))
        if kind == "bump":
            force, lasts, rings = rng.uniform(20, 300), rng.uniform(0.2, 0.8), rng.uniform(4, 12)
        elif kind == "tap":
            force, lasts, rings = rng.uniform(5, 60), rng.uniform(0.1, 0.4), 0.0
        else:
            force, lasts, rings = rng.choice([-1, 1]) * rng.uniform(0.2, 0.8), rng.uniform(1.0, 3.0), 0.0
        case.bumps.append(Bump(at_s, float(lasts), float(force), float(rings)))
        case.notes.append(f"{kind} at {at_s:.1f} s")


def _spoiled(rng: np.random.Generator, case: _Case) -> None:
    case.spoiled = True
    grams = case.gun.conductance(case.liquid.density(case.celsius)) * math.sqrt(case.pot.set_bar)
    at_s = case.before_s + float(rng.uniform(0.15, 0.75)) * case.shot_s
    kind = str(rng.choice(["moved", "taken away", "leaned on", "overload"]))
    case.notes.append(f"{kind} at {at_s:.1f} s")
    if kind == "moved":
        case.step_at_s = at_s
        least_g = max(0.06 * grams * case.shot_s, 8 * case.scale.resolution_g, 4.0)
        case.step_g = float(rng.choice([-1, 1]) * rng.uniform(1.0, 5.0) * least_g)
        case.bumps.append(Bump(at_s, 0.6, float(rng.uniform(50, 400)), 6.0))
    elif kind == "taken away":
        case.step_at_s = at_s
        case.step_g = -float(rng.uniform(300.0, 800.0))
    elif kind == "leaned on":
        lasts_s = float(rng.uniform(0.5, 0.9)) * (case.before_s + case.shot_s - at_s) + case.after_s
        for _ in range(6):
            case.bumps.append(
                Bump(
                    at_s + float(rng.uniform(0.0, 0.3)) * lasts_s,
                    float(rng.uniform(0.3, 0.7)) * lasts_s,
                    float(rng.uniform(30.0, 400.0)),
                )
            )
    else:
        # The pan was nearly full: the scale runs over before the shot ends.
        case.scale = replace(case.scale, capacity_g=0.5 * grams * case.shot_s + 350.0)


_CHANGES = {
    "evaporating": _evaporating,
    "vibrating": _vibrating,
    "coarse_1g": _coarse,
    "slow_2hz": _slow,
    "dripping": _dripping,
    "no_controller": _no_controller,
    "nuisances": _nuisances,
    "spoiled": _spoiled,
}


def _play(rng: np.random.Generator, family: Family, case: _Case) -> Trace:
    density = case.liquid.density(case.celsius)
    start_s = EPOCH_S + float(rng.uniform(0.0, 1000.0))
    total_s = case.before_s + case.shot_s + case.after_s
    step_s = 1 / (case.scale.rate_hz * case.scale.inner_steps)
    n = int(total_s * case.scale.rate_hz) * case.scale.inner_steps
    t = np.arange(n + 1, dtype=np.float64) * step_s
    opened_s = case.before_s
    closed_s = opened_s + case.shot_s

    flowing, bar = _dispense(rng, case, t, (opened_s, closed_s), density)
    lost = _evaporated(rng, case, t)
    speed = jet_speed_m_per_s(1.0, density) * np.sqrt(bar)
    load = apparent_g(np.cumsum(flowing - lost), density)
    load += jet_g(flowing / step_s, speed, case.jet_share)
    content_g = float(rng.uniform(20.0, 80.0))
    load += 300.0 + content_g + sum((bump.force(t[1:]) for bump in case.bumps), np.zeros(n))
    load += case.step_g * np.clip((t[1:] - case.step_at_s) / case.step_lasts_s, 0.0, 1.0)

    scale = Scale(case.scale, rng, tare_g=float(rng.choice([0.0, 300.0])))
    readings = scale.read(t[1:], np.maximum(load, -5.0))
    stroke = case.gun.strokes[-1]
    mass_g = float(flowing.sum())
    open_s = case.shot_s if case.controller else stroke.effective_open_s
    if not case.controller:
        opened_s = stroke.opening_from_s + stroke.opening_s / 2
        closed_s = opened_s + open_s
    trace = Trace(
        family=family,
        t_s=start_s + readings.t_s,
        mass_g=readings.mass_g,
        stable=readings.stable,
        controller=case.controller,
        opened_s=start_s + opened_s,
        closed_s=start_s + closed_s,
        open_s=open_s,
        true_mass_g=mass_g,
        true_flow_g_per_min=60 * mass_g / open_s,
        resolution_g=case.scale.resolution_g,
        capacity_g=case.scale.capacity_g,
        rate_hz=case.scale.rate_hz,
        fluid=case.liquid.name,
        density=density,
        fluid_c=case.celsius,
        pot_pressure_bar=case.pot.set_bar,
        evaporation_g_per_s=case.evaporation,
        drip_g=case.gun.drip_g,
        lag_s=case.scale.lag_s,
        open_delay_s=case.gun.valve.opens_after_s,
        close_delay_s=case.gun.valve.closes_after_s,
        spoiled=case.spoiled,
        notes=tuple(case.notes),
    )
    return _untidy(rng, trace) if family == "untidy_network" else trace


def _dispense(
    rng: np.random.Generator, case: _Case, t: Floats, commanded_s: tuple[float, float], density: float
) -> tuple[Floats, Floats]:
    """Mass that leaves the gun in each step, and the pressure there: shapes (n,)."""
    opened_s, closed_s = commanded_s
    middle = (t[:-1] + t[1:]) / 2
    case.pot.start(0.0)
    bar = case.pot.pressure_bar(middle)
    case.gun.open(opened_s, rng)
    case.pot.demand(case.gun.conductance(density), opened_s)
    during = middle >= opened_s
    bar[during] = case.pot.pressure_bar(middle[during])
    case.gun.close(closed_s)
    return case.gun.mass_g(t, bar, density), bar


def _evaporated(rng: np.random.Generator, case: _Case, t: Floats) -> Floats:
    """Loss in each step, g: a steady rate that moving air makes a little faster or slower."""
    middle = (t[:-1] + t[1:]) / 2
    wave = np.sin(2 * math.pi * middle / rng.uniform(20.0, 90.0) + rng.uniform(0.0, 2 * math.pi))
    return np.asarray(case.evaporation * (1 + case.draught * wave) * np.diff(t), dtype=np.float64)


def _untidy(rng: np.random.Generator, trace: Trace) -> Trace:
    """The same shot over a bad network, with no time stamps but the arrival's."""
    n = trace.t_s.size
    late = 0.01 + rng.exponential(0.03, n)
    stalled = rng.random(n) < 0.01
    late[stalled] += rng.uniform(0.2, 1.0, int(stalled.sum()))
    kept = rng.random(n) >= 0.02
    doubled = kept & (rng.random(n) < 0.02)
    which = np.concatenate([np.flatnonzero(kept), np.flatnonzero(doubled)])
    arrived = trace.t_s[which] + late[which]
    arrived[kept.sum() :] += rng.uniform(0.02, 0.3, int(doubled.sum()))
    # One connection keeps its order: what follows a stalled message waits behind it.
    order = np.argsort(which, kind="stable")
    arrived = np.maximum.accumulate(arrived[order]) + np.arange(order.size) * 1e-5
    return replace(
        trace,
        t_s=arrived,
        mass_g=trace.mass_g[which][order],
        stable=trace.stable[which][order],
        opened_s=trace.opened_s + 0.01 + float(rng.exponential(0.03)),
        closed_s=trace.closed_s + 0.01 + float(rng.exponential(0.03)),
        notes=(*trace.notes, f"{int((~kept).sum())} lost, {int(doubled.sum())} twice"),
    )
