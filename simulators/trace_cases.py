"""What is drawn for one random shot before it is played: a good day first, then what spoils its family."""

from __future__ import annotations

import copy
import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal, TypeAlias, get_args

import numpy as np

from simulators.physics.container import Bump
from simulators.physics.fluids import LIQUIDS, Liquid
from simulators.physics.gun import Gun, fit_to_target
from simulators.physics.pot import Pot
from simulators.physics.scale import ScaleSpec
from simulators.physics.valve import Valve

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
    "lid_ajar",
]
FAMILIES: tuple[Family, ...] = get_args(Family)


@dataclass(slots=True)
class Case:
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
    runs_over_at: float | None = None
    """The share of the shot's grams that is too much for the scale; None where it bears them all."""
    controller: bool = True
    spoiled: bool = False


def draw_case(rng: np.random.Generator, family: Family) -> Case:
    """A random shot of a family, still to be played."""
    return _changed(rng, family, _good_day(rng, family))


def draw_again(rng: np.random.Generator, family: Family, before: Case) -> Case:
    """The next shot of the check that `before` began, as drawn: what is random about a shot is drawn anew."""
    case = _as_before(_good_day(rng, family), before)
    return _as_before(_changed(rng, family, case), before)


def _as_before(case: Case, before: Case) -> Case:
    """The case with the gun, the liquid, the pot, the scale and the container that were there before."""
    return replace(
        case,
        liquid=before.liquid,
        celsius=before.celsius,
        gun=copy.deepcopy(before.gun),
        pot=copy.deepcopy(before.pot),
        scale=before.scale,
        shot_s=before.shot_s,
        evaporation=before.evaporation,
        draught=before.draught,
        jet_share=before.jet_share,
    )


def _changed(rng: np.random.Generator, family: Family, case: Case) -> Case:
    change = _CHANGES.get(family)
    if change is not None:
        change(rng, case)
    return case


def _good_day(rng: np.random.Generator, family: Family) -> Case:
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
    return Case(
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


def _evaporating(rng: np.random.Generator, case: Case) -> None:
    case.evaporation = float(rng.uniform(0.003, 0.02))
    case.draught = float(rng.uniform(0.0, 0.3))
    case.notes.append("open container")


def _lid_ajar(rng: np.random.Generator, case: Case) -> None:
    # A lid with an opening, or a slow liquid in an open container: too little to be seen in one window.
    case.evaporation = float(rng.uniform(0.0003, 0.002))
    case.draught = float(rng.uniform(0.0, 0.3))
    case.notes.append("the lid stands ajar")


def _vibrating(rng: np.random.Generator, case: Case) -> None:
    d = case.scale.resolution_g
    case.scale = replace(
        case.scale,
        vibration_g=float(rng.uniform(0.5, 5.0)),
        vibration_hz=float(rng.uniform(7.0, 24.0)),
        noise_g=max(case.scale.noise_g, float(rng.uniform(0.5, 1.5)) * d),
    )
    case.notes.append("the floor shakes")


def _coarse(rng: np.random.Generator, case: Case) -> None:
    case.scale = replace(case.scale, resolution_g=1.0, noise_g=float(rng.uniform(0.03, 0.2)))


def _slow(rng: np.random.Generator, case: Case) -> None:
    case.scale = replace(case.scale, rate_hz=2.0, lag_s=float(rng.uniform(0.2, 0.8)))


def _dripping(rng: np.random.Generator, case: Case) -> None:
    shot_g = (
        case.gun.conductance(case.liquid.density(case.celsius)) * math.sqrt(case.pot.set_bar) * case.shot_s
    )
    case.gun.drip_g = float(rng.uniform(0.005, 0.03)) * shot_g
    case.gun.drip_s = float(rng.uniform(0.5, 2.5))
    case.notes.append("drips after closing")


def _no_controller(_rng: np.random.Generator, case: Case) -> None:
    case.controller = False


def _nuisances(rng: np.random.Generator, case: Case) -> None:
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


def _spoiled(rng: np.random.Generator, case: Case) -> None:
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
        # The pan was nearly full: the scale runs over before the shot ends, whatever lies on it.
        case.runs_over_at = 0.5


_CHANGES: dict[Family, Callable[[np.random.Generator, Case], None]] = {
    "evaporating": _evaporating,
    "vibrating": _vibrating,
    "coarse_1g": _coarse,
    "slow_2hz": _slow,
    "dripping": _dripping,
    "lid_ajar": _lid_ajar,
    "no_controller": _no_controller,
    "nuisances": _nuisances,
    "spoiled": _spoiled,
}
