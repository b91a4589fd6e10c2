"""Random shots on one scale, with their truth: what an estimator of the flow is measured against.

The curve comes from the physics in `simulators.physics`, followed every few milliseconds, and never from any
formula of an estimator. What is not modelled is said there.
"""

from __future__ import annotations

import copy
import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from simulators.physics.orifice import jet_speed_m_per_s
from simulators.physics.scale import Scale, ScaleSpec, apparent_g, jet_g
from simulators.trace_cases import FAMILIES, Case, Family, draw_again, draw_case

__all__ = ["FAMILIES", "Family", "Trace", "random_check", "random_trace"]

Floats = NDArray[np.float64]
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


def random_trace(rng: np.random.Generator, family: Family) -> Trace:
    """One random shot of a family, with its truth. The same generator state gives the same trace.

    Raises ValueError for an unknown family.
    """
    return random_check(rng, family, 1)[0]


def random_check(rng: np.random.Generator, family: Family, shots: int) -> tuple[Trace, ...]:
    """So many shots of one gun into one container on one scale; the first is that of `random_trace`.

    Raises ValueError for an unknown family.
    """
    if family not in FAMILIES:
        raise ValueError(f"no family of traces called {family!r}; there are: {', '.join(FAMILIES)}")
    first = draw_case(rng, family)
    played = [_play(rng, family, copy.deepcopy(first))]
    while len(played) < shots:
        played.append(_play(rng, family, draw_again(rng, family, first)))
    return tuple(played)


def _play(rng: np.random.Generator, family: Family, case: Case) -> Trace:
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
    if case.runs_over_at is not None:
        case.scale = _nearly_full(case.scale, 300.0 + content_g + case.runs_over_at * float(flowing.sum()))
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


def _nearly_full(scale: ScaleSpec, most_g: float) -> ScaleSpec:
    """A scale that shows overload from so many grams on."""
    return replace(scale, capacity_g=most_g - scale.overload_d * scale.resolution_g)


def _dispense(
    rng: np.random.Generator, case: Case, t: Floats, commanded_s: tuple[float, float], density: float
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


def _evaporated(rng: np.random.Generator, case: Case, t: Floats) -> Floats:
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
