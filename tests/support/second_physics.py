"""Dispenses by a second physics: nothing of it is shared with the simulators or with the agent's curve.

A valve opens and closes exponentially, the hose relaxes, liquid falls for a while before it lands, drops
follow one by one, gusts change the evaporation and push the pan, a load cell rings or lags, a moving average
filters, readings round with or without dither and may be dated by their arrival. Steps are of 2 ms.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, TypeAlias, get_args

import numpy as np
from numpy.typing import NDArray
from scipy.signal import cont2discrete, lfilter

from agent.contract.fluids import known_fluid
from agent.contract.plan import Scale
from agent.detection.window import Window
from agent.flow.surroundings import Surroundings

Floats = NDArray[np.float64]
Kind: TypeAlias = Literal[
    "plain",
    "hose relaxes",
    "open container",
    "open, 1 g",
    "open, 2 Hz",
    "gusts",
    "drops",
    "no dither",
    "2 Hz",
    "long filter",
    "ringing",
    "by arrival",
    "3 to 6 s",
    "scale alone",
]
KINDS: tuple[Kind, ...] = get_args(Kind)
STEP_S = 0.002
EPOCH_S = 1_800_000_000.0
G_M_PER_S2 = 9.81
AIR_KG_M3, WEIGHTS_KG_M3 = 1.2, 8000.0
LIQUIDS_KG_M3 = {"acetone": 790.3, "butanone": 804.9, "isopropanol": 786.7}
"""At 20 C (handbook values)."""
U_STAMP_S = 0.001


@dataclass(frozen=True, slots=True, eq=False)
class Played:
    """One dispense: what an agent is told of it, and the truth."""

    window: Window
    around: Surroundings
    true_flow_g_per_min: float
    evaporates: bool


def played(rng: np.random.Generator, kind: Kind) -> Played:
    """A random dispense of a kind."""
    open_s = float(rng.uniform(3.0, 6.0) if kind == "3 to 6 s" else rng.uniform(10.0, 40.0))
    before_s, after_s = rng.uniform(8.0, 20.0), rng.uniform(10.0, 20.0)
    t = np.arange(-before_s - 8.0, open_s + after_s, STEP_S)
    opens_s, closes_s = rng.uniform(0.02, 0.15), open_s + rng.uniform(0.02, 0.15)
    share = _valve(rng, t, opens_s, closes_s)
    flow = rng.uniform(0.8, 5.0) * share * _pressure(rng, t - opens_s, kind)
    drip = _drops(rng, t, closes_s) if kind == "drops" else np.zeros_like(t)
    evaporates = kind.startswith("open") or kind == "gusts"
    rate, push = _evaporation(rng, t, kind, evaporates=evaporates)
    fluid = str(rng.choice(list(LIQUIDS_KG_M3)))
    floats = (1.0 - AIR_KG_M3 / LIQUIDS_KG_M3[fluid]) / (1.0 - AIR_KG_M3 / WEIGHTS_KG_M3)
    load = np.cumsum(flow + drip - rate) * STEP_S * floats
    jet = rng.uniform(0.2, 1.0) * flow * rng.uniform(3.0, 18.0) / G_M_PER_S2
    late = round(rng.uniform(0.01, 0.06) / STEP_S)
    load = _later(load, late) + _later(jet, late) + push
    scale, at, shown = _readings(rng, t, load, kind, (before_s, open_s + after_s))
    mass_g = float(np.sum(flow + drip) * STEP_S)
    window, told_s = _window(rng, at, shown, kind, (opens_s, closes_s, open_s))
    length = float(share.sum() * STEP_S) if kind == "scale alone" else told_s
    around = Surroundings(scale=scale, fluid=known_fluid(fluid), fluid_c=20.0)
    return Played(window, around, 60.0 * mass_g / length, evaporates)


def _valve(rng: np.random.Generator, t: Floats, opens_s: float, closes_s: float) -> Floats:
    opening, closing = rng.uniform(0.005, 0.06, 2)
    share = np.where(t > opens_s, -np.expm1(-np.maximum(t - opens_s, 0.0) / opening), 0.0)
    shut = np.exp(-np.maximum(t - closes_s, 0.0) / closing)
    return np.asarray(np.where(t > closes_s, -math.expm1(-(closes_s - opens_s) / opening) * shut, share))


def _pressure(rng: np.random.Generator, since_s: Floats, kind: Kind) -> Floats:
    # A hose that was at rest gives a little more at first, one with a slow regulator less; then a slow drift.
    at_first = rng.uniform(-0.08, 0.08) if kind == "hose relaxes" else rng.uniform(-0.01, 0.02)
    since_s = np.maximum(since_s, 0.0)
    wave = 0.002 * np.sin(2.0 * math.pi * since_s / rng.uniform(5.0, 60.0) + rng.uniform(0.0, 6.3))
    drift = rng.uniform(-0.03, 0.01) * since_s / 30.0
    return np.asarray(1.0 + at_first * np.exp(-since_s / rng.uniform(0.3, 3.0)) + drift + wave)


def _drops(rng: np.random.Generator, t: Floats, closes_s: float) -> Floats:
    drip = np.zeros_like(t)
    n = int(rng.integers(2, 15))
    apart = rng.exponential(rng.uniform(0.1, 0.6), n) * np.linspace(0.4, 1.6, n)
    for at_s in closes_s + np.cumsum(apart):
        if at_s < t[-1] - 1.0:
            drip[int((at_s - t[0]) / STEP_S)] += rng.uniform(0.02, 0.06) / STEP_S
    return drip


def _evaporation(
    rng: np.random.Generator, t: Floats, kind: Kind, *, evaporates: bool
) -> tuple[Floats, Floats]:
    rate = np.full_like(t, rng.uniform(0.002, 0.02) if evaporates else rng.choice([0.0, 1.0]) * 2.5e-4)
    push = np.zeros_like(t)
    if kind == "gusts":
        rate *= np.maximum(1.0 + 0.2 * _wandering(rng, t.size, rng.uniform(3.0, 15.0)), 0.0)
        push = rng.uniform(0.01, 0.05) * _wandering(rng, t.size, rng.uniform(0.5, 2.0))
    return rate, push


def _wandering(rng: np.random.Generator, n: int, over_s: float) -> Floats:
    # An Ornstein-Uhlenbeck process of standard deviation 1.
    kept = STEP_S / over_s
    steps = rng.normal(size=n) * math.sqrt(2.0 * kept)
    return np.asarray(lfilter([1.0], [1.0, kept - 1.0], steps))


def _later(load: Floats, steps: int) -> Floats:
    return np.concatenate((np.full(steps, load[0]), load[: load.size - steps]))


def _readings(
    rng: np.random.Generator, t: Floats, load: Floats, kind: Kind, span_s: tuple[float, float]
) -> tuple[Scale, Floats, Floats]:
    d = float(rng.choice([0.01, 0.1]))
    noise = d * (rng.uniform(0.5, 2.0) if d < 0.05 else rng.uniform(0.25, 0.7))
    if kind == "no dither":
        d = float(rng.choice([0.5, 1.0]))
        noise = d * rng.uniform(0.02, 0.15)
    if kind == "open, 1 g":
        d, noise = 1.0, rng.uniform(0.05, 0.3)
    hz = 2.0 if "2 Hz" in kind else float(rng.choice([5.0, 10.0, 20.0]))
    cell_s, average_s = rng.uniform(0.02, 0.1), rng.uniform(0.1, 0.5)
    if kind == "long filter":
        cell_s, average_s = (rng.uniform(0.8, 1.5), average_s) if rng.random() < 0.5 else (cell_s, 2.5)
    if kind == "ringing":
        turn, damping = 2.0 * math.pi * rng.uniform(2.0, 6.0), rng.uniform(0.15, 0.5)
        top, bottom, _ = cont2discrete(
            (np.array([turn**2]), np.array([1.0, 2.0 * damping * turn, turn**2])), STEP_S
        )
        followed = load[0] + lfilter(np.ravel(top), bottom, load - load[0])
    else:
        kept = -math.expm1(-STEP_S / cell_s)
        followed, _ = lfilter([kept], [1.0, kept - 1.0], load, zi=[(1.0 - kept) * load[0]])
    n = max(1, round(average_s / STEP_S))
    total = np.cumsum(np.concatenate((np.full(n, followed[0]), followed)))
    at = np.arange(-span_s[0], span_s[1] - 0.1, 1.0 / hz) + rng.uniform(0.0, 1.0 / hz)
    true = rng.uniform(200.0, 900.0) + np.interp(at, t, (total[n:] - total[:-n]) / n)
    shown = np.round(np.round((true + rng.normal(0.0, noise, at.size)) / d) * d, 6)
    return Scale("floor", d, 6100.0), at, shown


def _window(
    rng: np.random.Generator, at: Floats, shown: Floats, kind: Kind, times_s: tuple[float, float, float]
) -> tuple[Window, float]:
    opens_s, closes_s, open_s = times_s
    from_s, to_s, true_s = 0.0, open_s + rng.normal(0.0, U_STAMP_S), open_s
    notes: frozenset[str] = frozenset()
    if kind == "by arrival":
        late = 0.01 + rng.exponential(0.03, at.size + 2)
        at = np.maximum.accumulate(at + late[2:]) + np.arange(at.size) * 1e-5
        from_s, to_s = late[0], open_s + late[1]
        notes = frozenset({"clock_from_arrival"})
    alone = kind == "scale alone"
    if alone:
        from_s, to_s = opens_s + rng.uniform(-0.1, 0.4), closes_s + rng.uniform(-0.2, 0.3)
    window = Window(
        cell="north",
        scale="floor",
        gun=None if alone else "upper",
        setup="primer",
        purpose="shot",
        t_s=EPOCH_S + at,
        mass_g=shown,
        opened_s=EPOCH_S + from_s,
        closed_s=EPOCH_S + to_s,
        open_s=None if alone else to_s - from_s,
        origin="event-1",
        notes=notes,
        ended_s=EPOCH_S + float(at[-1]),
        u_open_s=None if notes else U_STAMP_S,
    )
    return window, true_s
