"""What is said about a dispense, and whether its number is to be trusted.

Every rule in one table:

| flag | set when | quality |
| --- | --- | --- |
| `after_drip` | drip after closing is over 0.5 % of the mass and 4 u, or as fast as a surge | suspect |
| `air_in_line` | the flow breaks off after the first 2 s and loses 0.3 s of it (`losses`) | suspect |
| `clock_from_arrival` | detection says so: the readings carry no time of their own | - |
| `container_moved` | detection says so, or the curve shows what no gun does (`moved`) | rejected |
| `duration_disagrees` | the curve is plainly 0.3 s off what was told | suspect; over 10 % rejected |
| `no_plateau_after`, `no_plateau_before` | detection says so, or under 3 sound readings | rejected |
| `pressure_off_setpoint` | the pot's mean pressure is over 5 % from the set one | suspect |
| `readings_missing` | a gap of 1 s and 4 intervals, 2 s around the flow | -; over a quarter of it rejected |
| | the scale stands still before the closing and after (`stuck`) | rejected |
| `recovered_after_restart` | detection says so | - |
| `scale_overload` | detection says so, or a reading is over capacity and 9 d (OIML R 76) | rejected |
| `slow_start` | the start leaves out over 1 % of the mass, 0.1 s of flow and 4 u | suspect |
| `unattributed` | the gun is not known | - |
| `unsteady_flow` | a tenth flows 5 % and 5 u off the mean, it droops over 10 %, or none flows | suspect |

Where the container was moved nothing more is said of gun and flow: the curve is not theirs.
A drip and a slow start that are alike are the scale's filter (`Estimate.by_filter_g`) and set neither flag.
u are standard uncertainties; the limits are common practice, no source, but for the overload.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from agent.contract.records import Quality
from agent.detection.window import Window
from agent.flow.choosing import WRONG_S
from agent.flow.curve import AMOUNTS, DRIP, DROOP, FLOW, LENGTH, SLOW
from agent.flow.estimate import Estimate
from agent.flow.losses import losses_of
from agent.flow.moved import comes_in_a_surge, is_moved, pushed_s
from agent.flow.shape import Shape
from agent.flow.stuck import stuck_from_s
from agent.flow.surroundings import Surroundings

DRIP_REL, SLOW_REL, SLOW_S = 0.005, 0.01, 0.1
STEADY_REL, DROOP_REL = 0.05, 0.10
DURATION_S, DURATION_REL = 0.3, 0.10
PRESSURE_REL = 0.05
GAP_S, GAP_INTERVALS, GAP_REL = 1.0, 4.0, 0.25
OVERLOAD_D = 9.0
LEAST_AT_REST = 3
_WHY = {
    "container_moved": "the container or the scale was moved or leaned on",
    "scale_overload": "the scale was overloaded",
    "no_plateau_before": "the scale was not at rest before the dispense",
    "no_plateau_after": "the scale was not at rest after the dispense",
}
_SUSPECT = frozenset(
    {
        "after_drip",
        "air_in_line",
        "duration_disagrees",
        "pressure_off_setpoint",
        "slow_start",
        "unsteady_flow",
    }
)


@dataclass(frozen=True, slots=True)
class Judged:
    """Flags, sorted, and what follows from them."""

    flags: tuple[str, ...]
    quality: Quality
    why: str | None
    doubted_s: float = 0.0
    """Grams that may be the container's as well as the gun's, in seconds of the flow."""


def judged(
    window: Window, around: Surroundings, found: Estimate | None, shape: Shape, fault: str | None
) -> Judged:
    """The flags of a dispense by the rules above. Where nothing was fitted, `fault` says why."""
    flags = set(window.notes)
    why: list[str] = [] if fault is None else [fault]
    doubted_s = 0.0
    if window.gun is None:
        flags.add("unattributed")
    if window.mass_g.size:
        limit = around.scale.capacity_g + OVERLOAD_D * around.scale.resolution_g
        if float(np.max(window.mass_g)) > limit:
            flags.add("scale_overload")
    if found is not None:
        _plateaus(found, flags)
        losses = losses_of(window, found, shape, around.scale.resolution_g)
        if losses.moved or is_moved(found, around.scale.resolution_g, air=losses.air):
            flags.add("container_moved")
        _gaps(found, flags, why)
        if "container_moved" not in flags:
            # A spoiled curve says nothing of the gun.
            flags |= {"air_in_line"} if losses.air else set()
            _flow(found, shape, flags)
            _duration(window, found, flags, why)
            _stuck(window, found, around.scale.resolution_g, flags, why)
        doubted_s = losses.doubted_s + pushed_s(found, disagrees="duration_disagrees" in flags)
    _pressure(window, around, flags)
    why.extend(text for flag, text in _WHY.items() if flag in flags)
    quality: Quality = "rejected" if why else "suspect" if flags & _SUSPECT else "good"
    return Judged(tuple(sorted(flags)), quality, "; ".join(why) or None, doubted_s)


def _plateaus(found: Estimate, flags: set[str]) -> None:
    sound = found.left.weight > 0.1
    for side, flag in (
        (found.t_s < found.start_s, "no_plateau_before"),
        (found.t_s > found.end_s, "no_plateau_after"),
    ):
        if (side & sound).sum() < LEAST_AT_REST:
            flags.add(flag)
        elif sound[side].mean() < 0.5:
            flags.add("container_moved")


def _gaps(found: Estimate, flags: set[str], why: list[str]) -> None:
    near = (found.t_s > found.start_s - 2.0) & (found.t_s < found.end_s + 2.0)
    steps = np.diff(np.sort(np.concatenate(([found.start_s], found.t_s[near], [found.end_s]))))
    usual = float(np.median(np.diff(found.t_s)))
    widest = float(steps.max())
    if widest > max(GAP_S, GAP_INTERVALS * usual):
        flags.add("readings_missing")
        if widest > GAP_REL * (found.end_s - found.start_s):
            why.append(f"no readings for {widest:.1f} s while liquid ran")


def _flow(found: Estimate, shape: Shape, flags: set[str]) -> None:
    mass, flow = abs(found.mass_g), found.amount(FLOW)
    if not found.look.seen or mass <= 5.0 * found.u_mass_g:
        flags.add("unsteady_flow")
        return
    drip, slow, droop = found.amount(DRIP), found.amount(SLOW), found.amount(DROOP)
    by_filter_g = found.by_filter_g()
    if drip.value - by_filter_g > max(DRIP_REL * mass, 4.0 * drip.u) > 0 or comes_in_a_surge(found):
        flags.add("after_drip")
    if slow.value - by_filter_g > max(SLOW_REL * mass, SLOW_S * flow.value, 4.0 * slow.u) > 0:
        flags.add("slow_start")
    if abs(droop.value) > max(DROOP_REL * abs(flow.value), 5.0 * droop.u):
        flags.add("unsteady_flow")
    if np.any(np.abs(shape.tenths) > np.maximum(STEADY_REL, 5.0 * shape.u_tenths)):
        flags.add("unsteady_flow")


def _duration(window: Window, found: Estimate, flags: set[str], why: list[str]) -> None:
    if window.open_s is None or not found.look.seen:
        return
    longer = found.longer_than(window.open_s)
    if longer is None:
        return
    # Where another length explains the curve far better, the fit was let go of the told one already: air may.
    was_let_go = found.prior.u[AMOUNTS + LENGTH] >= WRONG_S and "air_in_line" not in flags
    if abs(longer.value) <= max(DURATION_S, 0.0 if was_let_go else 5.0 * longer.u):
        return
    flags.add("duration_disagrees")
    if abs(longer.value) > DURATION_REL * window.open_s:
        why.append(
            f"liquid ran for {window.open_s + longer.value:.1f} s, but {window.open_s:.1f} s were commanded"
        )


def _stuck(window: Window, found: Estimate, d: float, flags: set[str], why: list[str]) -> None:
    if "duration_disagrees" not in flags:
        return
    from_s = stuck_from_s(window, found, d)
    if from_s is not None:
        flags.add("readings_missing")
        early_s = window.closed_s - window.opened_s - from_s
        why.append(f"the scale showed one and the same value from {early_s:.1f} s before the closing on")


def _pressure(window: Window, around: Surroundings, flags: set[str]) -> None:
    if around.pot is None or not around.setpoint_bar:
        return
    mean = around.pot.mean_between(window.opened_s, window.closed_s)
    if mean is not None and abs(mean - around.setpoint_bar) > PRESSURE_REL * around.setpoint_bar:
        flags.add("pressure_off_setpoint")
