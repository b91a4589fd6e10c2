"""What is said about a dispense, and whether its number is to be trusted.

Every rule in one table:

| flag | set when | quality |
| --- | --- | --- |
| `after_drip` | drip after closing is over 0.5 % of the mass and over 3 u | suspect |
| `air_in_line` | twice or more the flow falls below half or rises above 1.5 of itself | suspect |
| `clock_from_arrival` | detection says so: the readings carry no time of their own | - |
| `container_moved` | detection says so, or most of a plateau is off the curve | rejected |
| `duration_disagrees` | liquid ran 0.3 s and 4 u longer or shorter than told | suspect; over 10 % rejected |
| `no_plateau_after`, `no_plateau_before` | fewer than 3 sound readings on that side | rejected |
| `pressure_off_setpoint` | the pot's mean pressure is over 5 % from the set one | suspect |
| `readings_missing` | a gap of 1 s and 4 intervals, 2 s around the flow | -; over a quarter of it rejected |
| `recovered_after_restart` | detection says so | - |
| `scale_overload` | detection says so, or a reading is over capacity and 9 d (OIML R 76) | rejected |
| `slow_start` | the start leaves out over 0.5 % of the mass and over 3 u | suspect |
| `unattributed` | the gun is not known | - |
| `unsteady_flow` | a tenth of it flows 5 % and 4 u off the mean, or it droops over 10 % | suspect |

A plugged gun that gives nothing is measured as such, flow about 0, and is `suspect` with `unsteady_flow`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from agent.contract.records import Quality
from agent.detection.window import Window
from agent.flow.curve import DRIP, DROOP, FLOW, SLOW
from agent.flow.estimate import Estimate
from agent.flow.surroundings import Surroundings

MUCH = 0.005
LARGE_REL = 0.10
PRESSURE_REL = 0.05
_ALWAYS_REJECTS = ("container_moved", "scale_overload", "no_plateau_before", "no_plateau_after")
_WHY = {
    "container_moved": "the container moved during the dispense",
    "scale_overload": "the scale was overloaded",
    "no_plateau_before": "the scale never came to rest before the dispense",
    "no_plateau_after": "the scale never came to rest after the dispense",
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


def judged(window: Window, around: Surroundings, found: Estimate | None, fault: str | None) -> Judged:
    """The flags of a dispense by the rules above. Where nothing was fitted, `fault` says why."""
    flags = set(window.notes)
    why: list[str] = [] if fault is None else [fault]
    if window.gun is None:
        flags.add("unattributed")
    if (
        window.mass_g.size
        and np.max(window.mass_g) > around.scale.capacity_g + 9.0 * around.scale.resolution_g
    ):
        flags.add("scale_overload")
    if found is not None:
        _plateaus(found, flags)
        _gaps(found, flags, why)
        _shape(found, flags)
        _duration(window, found, flags, why)
        _pressure(window, around, flags)
    why.extend(_WHY[flag] for flag in _ALWAYS_REJECTS if flag in flags)
    quality: Quality = "rejected" if why else "suspect" if flags & _SUSPECT else "good"
    return Judged(tuple(sorted(flags)), quality, "; ".join(why) or None)


def _plateaus(found: Estimate, flags: set[str]) -> None:
    start, end = found.start_s, found.end_s
    at_rest = found.joint.weight > 0.1
    t_s = found.on.t_s
    before, after = t_s < start, t_s > end
    if (before & at_rest).sum() < 3:
        flags.add("no_plateau_before")
    if (after & at_rest).sum() < 3:
        flags.add("no_plateau_after")
    for side in (before, after):
        # What stays off to the end of a plateau is no bump: something was put down, taken away or shifted.
        off = ~at_rest[side]
        if off.size >= 6 and off.mean() > 0.5:
            flags.add("container_moved")


def _gaps(found: Estimate, flags: set[str], why: list[str]) -> None:
    t_s = found.on.t_s
    near = (t_s > found.start_s - 2.0) & (t_s < found.end_s + 2.0)
    edges = np.concatenate(([found.start_s], t_s[near], [found.end_s])) if near.any() else np.zeros(2)
    steps = np.diff(np.sort(edges))
    usual = float(np.median(np.diff(t_s)))
    widest = float(steps.max()) if steps.size else 0.0
    if widest > max(1.0, 4.0 * usual):
        flags.add("readings_missing")
    if widest > max(0.25 * (found.end_s - found.start_s), 2.0):
        why.append(f"no readings for {widest:.1f} s while liquid ran")


def _shape(found: Estimate, flags: set[str]) -> None:
    mass = abs(found.mass_g)
    if not found.look.seen or mass <= 0:
        flags.add("unsteady_flow")
        return
    for which, flag in ((DRIP, "after_drip"), (SLOW, "slow_start")):
        amount = found.amount(which)
        if amount.value > max(MUCH * mass, 3.0 * amount.u) > 0:
            flags.add(flag)
    droop, flow = found.amount(DROOP), found.amount(FLOW)
    if abs(droop.value) > LARGE_REL * abs(flow.value) and abs(droop.value) > 3.0 * droop.u:
        flags.add("unsteady_flow")
    flows, u = found.flow_by_tenths()
    if np.any(np.abs(flows - flow.value) > np.maximum(0.05 * abs(flow.value), 4.0 * u)):
        flags.add("unsteady_flow")
    if found.interruptions() >= 2:
        flags.add("air_in_line")


def _duration(window: Window, found: Estimate, flags: set[str], why: list[str]) -> None:
    if window.open_s is None or not found.look.seen:
        return
    seen = found.time_from_curve(window.open_s)
    if seen is None or abs(seen.value) <= max(0.3, 4.0 * seen.u):
        return
    flags.add("duration_disagrees")
    if abs(seen.value) > LARGE_REL * window.open_s:
        why.append(
            f"liquid ran for {window.open_s + seen.value:.1f} s but {window.open_s:.1f} s were commanded"
        )


def _pressure(window: Window, around: Surroundings, flags: set[str]) -> None:
    if around.pot is None or not around.setpoint_bar:
        return
    mean = around.pot.mean_between(window.opened_s, window.closed_s)
    if mean is not None and abs(mean - around.setpoint_bar) > PRESSURE_REL * around.setpoint_bar:
        flags.add("pressure_off_setpoint")
