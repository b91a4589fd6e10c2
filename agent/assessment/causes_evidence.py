"""What is known of a cell when somebody asks why coverage is uneven, as facts that rules can name.

A fact is a number, or None where it is not known: what is not known speaks neither for nor against a cause.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Literal, TypeAlias

FlagCounts: TypeAlias = Mapping[str, int]


@dataclass(frozen=True, slots=True)
class GunEvidence:
    """What is known of one gun."""

    gun: str
    deviation_pct: float | None = None
    """Flow at the setup's pressure against target, percent."""
    u_deviation_pct: float | None = None
    shots: int = 0
    """Shots in the latest checks that `flags` counts over, those left out with them."""
    flags: FlagCounts = field(default_factory=dict)
    """How often each flag of a dispense was set among those shots."""
    repeatability_pct: float | None = None
    """Standard deviation of the latest check's shots, percent."""
    usual_repeatability_pct: float | None = None
    wear_pattern: Literal["none", "drift", "step", "plugging"] | None = None
    wear_change_pct: float | None = None
    needle_moved: float | None = None
    """Setting now less that of the last check that passed, in smallest steps; positive is more open."""
    passed_before: bool | None = None
    """It passed this setup with these parts once: then something has changed since."""
    beyond_needle_pct: float | None = None
    """Change of flow since the last check that passed, less what turning the needle explains, percent."""
    u_beyond_needle_pct: float | None = None
    part_changed: bool | None = None
    """A wearing part was changed since the last check that passed."""
    open_error_s: float | None = None
    """Learned fixed error of opening and closing, seconds; negative is liquid lost to a slow trigger."""
    u_open_error_s: float | None = None
    shot_s: float | None = None
    """How long its shots are."""
    verdict: Literal["pass", "fail", "inconclusive"] | None = None


@dataclass(frozen=True, slots=True)
class CellEvidence:
    """What is known of a cell and its guns."""

    guns: tuple[GunEvidence, ...]
    spread_pct: float | None = None
    balance_pct: float | None = None
    """The limit of the balance."""
    pressure_bar: float | None = None
    pressure_setpoint_bar: float | None = None
    pressure_sd_bar: float | None = None
    pressure_slope_bar_per_h: float | None = None
    idle_slope_g_per_s: float | None = None
    """Mean rate of the scale while all guns are closed; positive is mass creeping on."""
    u_idle_slope_g_per_s: float | None = None
    usual_flow_g_per_s: float | None = None
    fluid_c: float | None = None
    usual_fluid_c: float | None = None


CellFact: TypeAlias = Callable[[CellEvidence], float | None]
GunFact: TypeAlias = Callable[[CellEvidence, GunEvidence], float | None]


def _deviations(evidence: CellEvidence) -> list[float]:
    return [gun.deviation_pct for gun in evidence.guns if gun.deviation_pct is not None]


def _share(gun: GunEvidence, *flags: str) -> float | None:
    if gun.shots <= 0:
        return None
    return 100 * min(1.0, sum(gun.flags.get(flag, 0) for flag in flags) / gun.shots)


def _cell_share(evidence: CellEvidence, *flags: str) -> float | None:
    shots = sum(gun.shots for gun in evidence.guns)
    if shots <= 0:
        return None
    return 100 * min(1.0, sum(gun.flags.get(flag, 0) for gun in evidence.guns for flag in flags) / shots)


def _highest(evidence: CellEvidence) -> float | None:
    return max(_deviations(evidence), default=None)


def _lowest(evidence: CellEvidence) -> float | None:
    return min(_deviations(evidence), default=None)


def _median(evidence: CellEvidence) -> float | None:
    deviations = _deviations(evidence)
    return statistics.median(deviations) if deviations else None


def _largest(evidence: CellEvidence) -> float | None:
    return max((abs(value) for value in _deviations(evidence)), default=None)


def _relative(part: float | None, whole: float | None) -> float | None:
    return None if part is None or not whole else 100 * part / whole


def _pressure_off(evidence: CellEvidence) -> float | None:
    if evidence.pressure_bar is None or not evidence.pressure_setpoint_bar:
        return None
    return 100 * (evidence.pressure_bar / evidence.pressure_setpoint_bar - 1)


def _creep(evidence: CellEvidence) -> float | None:
    """Creeping mass, percent of the usual flow; 0 where it is not above its uncertainty."""
    slope, u = evidence.idle_slope_g_per_s, evidence.u_idle_slope_g_per_s or 0.0
    if slope is None or not evidence.usual_flow_g_per_s:
        return None
    return 100 * slope / evidence.usual_flow_g_per_s if abs(slope) > 2 * u else 0.0


def _spread_of_limit(evidence: CellEvidence) -> float | None:
    return _relative(evidence.spread_pct, evidence.balance_pct)


def _warmer(evidence: CellEvidence) -> float | None:
    if evidence.fluid_c is None or evidence.usual_fluid_c is None:
        return None
    return evidence.fluid_c - evidence.usual_fluid_c


def _all_pass(evidence: CellEvidence) -> float | None:
    verdicts = [gun.verdict for gun in evidence.guns]
    return None if not verdicts or None in verdicts else float(all(word == "pass" for word in verdicts))


def _from_others(evidence: CellEvidence, gun: GunEvidence) -> float | None:
    others = [g.deviation_pct for g in evidence.guns if g is not gun and g.deviation_pct is not None]
    if gun.deviation_pct is None or not others:
        return None
    return gun.deviation_pct - statistics.median(others)


def _others_off(evidence: CellEvidence, gun: GunEvidence) -> float | None:
    others = [g.deviation_pct for g in evidence.guns if g is not gun and g.deviation_pct is not None]
    return abs(statistics.median(others)) if others else None


def _scatter(gun: GunEvidence) -> float | None:
    if gun.repeatability_pct is None or not gun.usual_repeatability_pct:
        return None
    return gun.repeatability_pct / gun.usual_repeatability_pct


def _pattern(gun: GunEvidence, name: str) -> float | None:
    return None if gun.wear_pattern is None else float(gun.wear_pattern == name)


def _beyond_needle(gun: GunEvidence) -> float | None:
    """What turning the needle does not explain; 0 where that is not above its uncertainty."""
    if gun.beyond_needle_pct is None:
        return None
    sure = abs(gun.beyond_needle_pct) > 2 * (gun.u_beyond_needle_pct or 0.0)
    return gun.beyond_needle_pct if sure else 0.0


def _needle_told(gun: GunEvidence) -> float | None:
    """Whether it is known how the needle stands against the check that passed; None where none ever did."""
    return float(gun.needle_moved is not None) if gun.passed_before else None


def _ever_passed(evidence: CellEvidence) -> float | None:
    known = [gun.passed_before for gun in evidence.guns if gun.passed_before is not None]
    return float(any(known)) if known else None


def _open_error(gun: GunEvidence) -> float | None:
    """The learned timing error where it is significant, else 0."""
    if gun.open_error_s is None:
        return None
    return gun.open_error_s if abs(gun.open_error_s) > 2 * (gun.u_open_error_s or 0.0) else 0.0


def _steady_deviation(gun: GunEvidence) -> float | None:
    """The deviation without what opening and closing cost: that of the open gun."""
    error = _open_error(gun)
    if gun.deviation_pct is None or error is None or not gun.shot_s:
        return None
    return gun.deviation_pct - 100 * error / gun.shot_s


def _lost_by_opening(gun: GunEvidence) -> float | None:
    """What opening and closing took from every shot, percent of the target; negative is flow lost."""
    steady = _steady_deviation(gun)
    return None if steady is None or gun.deviation_pct is None else gun.deviation_pct - steady


_SCALE_FLAGS = (
    "container_moved",
    "readings_missing",
    "scale_overload",
    "no_plateau_before",
    "no_plateau_after",
)
_FLOW_FLAGS = ("air_in_line", "unsteady_flow", "slow_start", "after_drip")

CELL_FACTS: Mapping[str, CellFact] = {
    "highest_deviation_pct": _highest,
    "lowest_deviation_pct": _lowest,
    "median_deviation_pct": _median,
    "largest_deviation_pct": _largest,
    "spread_pct": lambda e: e.spread_pct,
    "spread_pct_of_limit": _spread_of_limit,
    "guns": lambda e: float(len(e.guns)),
    "pressure_off_pct": _pressure_off,
    "pressure_sd_pct": lambda e: _relative(e.pressure_sd_bar, e.pressure_setpoint_bar or e.pressure_bar),
    "pressure_slope_pct_per_h": lambda e: _relative(
        e.pressure_slope_bar_per_h, e.pressure_setpoint_bar or e.pressure_bar
    ),
    "creep_pct": _creep,
    "warmer_c": _warmer,
    "all_pass": _all_pass,
    "any_passed_before": _ever_passed,
    "largest_scatter": lambda e: max((s for s in map(_scatter, e.guns) if s is not None), default=None),
    "air_share_pct": lambda e: _cell_share(e, "air_in_line"),
    "unsteady_share_pct": lambda e: _cell_share(e, "unsteady_flow"),
    "pressure_flag_share_pct": lambda e: _cell_share(e, "pressure_off_setpoint"),
    "scale_trouble_share_pct": lambda e: _cell_share(e, *_SCALE_FLAGS),
    "symptom_share_pct": lambda e: _cell_share(e, *_SCALE_FLAGS, *_FLOW_FLAGS),
}
"""Facts of the whole cell. Names end in their unit; yes is 1 and no is 0."""

GUN_FACTS: Mapping[str, GunFact] = {
    "deviation_pct": lambda _, g: g.deviation_pct,
    "from_others_pct": _from_others,
    "others_off_pct": _others_off,
    "gun_air_share_pct": lambda _, g: _share(g, "air_in_line"),
    "gun_unsteady_share_pct": lambda _, g: _share(g, "unsteady_flow"),
    "slow_start_share_pct": lambda _, g: _share(g, "slow_start"),
    "after_drip_share_pct": lambda _, g: _share(g, "after_drip"),
    "duration_share_pct": lambda _, g: _share(g, "duration_disagrees"),
    "passes": lambda _, g: None if g.verdict is None else float(g.verdict == "pass"),
    "scatter": lambda _, g: _scatter(g),
    "is_drift": lambda _, g: _pattern(g, "drift"),
    "is_step": lambda _, g: _pattern(g, "step"),
    "is_plugging": lambda _, g: _pattern(g, "plugging"),
    "wear_change_pct": lambda _, g: g.wear_change_pct,
    "needle_moved_steps": lambda _, g: g.needle_moved,
    "beyond_needle_pct": lambda _, g: _beyond_needle(g),
    "needle_told": lambda _, g: _needle_told(g),
    "passed_before": lambda _, g: None if g.passed_before is None else float(g.passed_before),
    "part_changed": lambda _, g: None if g.part_changed is None else float(g.part_changed),
    "lost_by_opening_pct": lambda _, g: _lost_by_opening(g),
    "steady_deviation_pct": lambda _, g: _steady_deviation(g),
    "open_error_s": lambda _, g: _open_error(g),
}
"""Facts of one gun, in the light of the others."""


def facts_of(evidence: CellEvidence, gun: GunEvidence | None) -> dict[str, float]:
    """Every fact that is known, of the cell and, where a gun is named, of that gun."""
    known = {name: fact(evidence) for name, fact in CELL_FACTS.items()}
    if gun is not None:
        known |= {name: fact(evidence, gun) for name, fact in GUN_FACTS.items()}
    return {name: value for name, value in known.items() if value is not None and math.isfinite(value)}
