"""Measure a dispense: true mass, open time, flow, uncertainty budget, flags and quality. Never raises."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np

from agent.contract.records import BudgetLine, Quality
from agent.detection.window import Floats, Window
from agent.flow.air import air
from agent.flow.budget import Combined, combined, line
from agent.flow.buoyancy import buoyancy
from agent.flow.curve import DRIP, FLOW, JET, LENGTH, LOG_LAG, START
from agent.flow.estimate import Estimate, estimate
from agent.flow.flags import judged
from agent.flow.fluids import U_TEMPERATURE_ASSUMED_C, U_TEMPERATURE_C, density
from agent.flow.known import Known
from agent.flow.permissible import permissible_error_g
from agent.flow.priors import u_told_s, valve_difference
from agent.flow.shape import NO_SHAPE, shape_of, without_tails
from agent.flow.shown_step import as_shown
from agent.flow.surroundings import Surroundings
from agent.flow.zero_tracking import without_held_zero

UNKNOWN_AIR = Known(1.2, 0.05)
"""Density of air where it is not described as a workshop's, kg/m3 (from memory)."""
UNKNOWN_LIQUID = Known(900.0, 120.0)
"""Density where the fluid is not known, kg/m3: solvents and water lie within two u (from memory)."""
U_JITTERS_S = 0.01
"""An open time less certain than this is joined with what the curve shows of it."""
LATE_S = 0.1
"""How late a reading may come whose time is that of its arrival (common practice, no source)."""
U_STROKE_S = 0.015
"""What a valve's strokes add to an open time that is seen in the curve (common practice, no source)."""
LARGEST_G = 1e9
"""No scale weighs more."""
LEAST_READINGS = 8
"""Fewer readings than this and nothing is fitted."""


@dataclass(frozen=True, slots=True, eq=False)
class Measurement:
    """A dispense, measured. None where something could not be computed."""

    flags: tuple[str, ...]
    quality: Quality
    why_rejected: str | None
    n_readings: int
    open_s: float | None = None
    u_open_s: float | None = None
    open_s_from_scale: bool = False
    mass_g: float | None = None
    u_mass_g: float | None = None
    flow_g_per_min: float | None = None
    flow: Combined | None = None
    flow_ml_per_min: float | None = None
    steady_g_per_min: float | None = None
    u_steady_g_per_min: float | None = None
    evaporation: Known | None = None
    evaporation_seen: Known | None = None
    """What this window alone shows of it, g/s: what later shots may learn from."""
    pot_pressure_bar: float | None = None
    fluid_c: float | None = None
    timing_error: Known | None = None
    """Of the gun, as learned from shots of different length, s."""
    valve_difference: Known | None = None
    """How much longer liquid ran than was commanded, seen in this shot alone, s."""
    started_s: float = 0.0
    ended_s: float = 0.0
    """When liquid flowed by the curve, on the scale's clock; the window's own where nothing was fitted."""
    noise_g: float | None = None
    lag_s: Known | None = None
    jet_g: float | None = None
    drip_g: float | None = None
    budget: tuple[BudgetLine, ...] = ()
    curve_g: Floats = field(default_factory=lambda: np.zeros(0))
    """The fitted curve at the readings' times, shape (n,); empty where nothing was fitted."""
    weight: Floats = field(default_factory=lambda: np.zeros(0))
    """How much each reading counted, 0 to 1, shape (n,)."""


def measure(window: Window, around: Surroundings) -> Measurement:
    """Measure the dispense in a window. Odd input gives a rejected measurement that says why, no error."""
    clean = _finite(window)
    around = replace(around, scale=as_shown(around.scale, clean.mass_g))
    clean = without_held_zero(clean, around.scale.resolution_g)
    found: Estimate | None = None
    fault: str | None = None
    if clean.t_s.size < LEAST_READINGS:
        fault = f"only {clean.t_s.size} readings; {LEAST_READINGS} are needed"
    elif float(np.max(np.abs(clean.mass_g))) > LARGEST_G:
        fault = f"a reading is beyond {LARGEST_G:g} g"
    elif not math.isfinite(clean.opened_s) or not math.isfinite(clean.closed_s):
        fault = "the times of opening and closing are not known"
    elif clean.closed_s <= clean.opened_s or (
        clean.open_s is not None and not 0.05 <= clean.open_s <= 3600.0
    ):
        told = f"{clean.open_s} s" if clean.open_s is not None else "closed before it opened"
        fault = f"the open time is not possible: {told}"
    else:
        try:
            found = estimate(clean, around)
        except (ArithmeticError, ValueError, IndexError, np.linalg.LinAlgError) as trouble:
            fault = f"the readings cannot be fitted: {trouble}"
    if found is None:
        verdict = judged(clean, around, None, NO_SHAPE, fault)
        return Measurement(
            verdict.flags,
            verdict.quality,
            verdict.why,
            int(clean.t_s.size),
            open_s=_told(clean),
            pot_pressure_bar=_pressure(clean, around),
            fluid_c=around.fluid_c,
            started_s=clean.opened_s,
            ended_s=clean.closed_s,
        )
    return _measurement(clean, around, found)


def _measurement(window: Window, around: Surroundings, found: Estimate) -> Measurement:
    sound = without_tails(found.t_s, found.left.residual_g, found.left.weight, found.lag_s)
    shape = shape_of(
        found.t_s[sound],
        (window.mass_g + found.held_back_g())[sound],
        around.scale.resolution_g,
        edges_s=(found.start_s, found.end_s),
        late_s=LATE_S if "clock_from_arrival" in window.notes else 0.0,
        lag_s=found.lag_s,
    )
    verdict = judged(window, around, found, shape, None)
    open_s = _open_time(window, around, found)
    disagrees = "duration_disagrees" in verdict.flags
    # Where a push is as likely as what the gun would have done, the truth lies anywhere between.
    beside_s = verdict.doubted_s / math.sqrt(3.0)
    if disagrees:
        open_s = _doubted(open_s, window, found, beside_s)
    liquid = _liquid(around)
    shop_air = _air(around)
    factor, by_liquid = buoyancy(liquid or UNKNOWN_LIQUID, shop_air)
    mass = found.mass_g * factor.value
    per_g = 60.0 / open_s.value
    flow = per_g * mass
    per = per_g * factor.value
    parts = found.parts
    shape_g = parts.shape_g if disagrees else math.hypot(parts.shape_g, beside_s * found.amount(FLOW).value)
    budget = (
        line("readings", per * parts.readings_g, "A", "scatter of the readings about the curve", found.dof),
        line("rounding", per * parts.rounding_g, "B", "d over root 12, less where noise or slope dithers it"),
        line("drift", per * parts.drift_g, "A", "evaporation and zero drift in the dispense", found.dof),
        line("timing", math.hypot(flow / open_s.value * open_s.u, per * parts.timing_g), "B", "open time"),
        line("shape", per * shape_g, "B", "droop, jet, drip and lag that the readings do not show"),
        line("buoyancy", flow / factor.value * factor.u, "B", "air density"),
        line("density", flow / factor.value * by_liquid, "B", "liquid density in the buoyancy correction"),
        *_scale_lines(around, found, per, flow),
    )
    whole = combined(budget, {"drift": (per * parts.drift_below_g, per * parts.drift_above_g)})
    steady = found.amount(FLOW)
    rate = found.rate
    start_s = window.opened_s + found.time(START).value
    return Measurement(
        verdict.flags,
        verdict.quality,
        verdict.why,
        int(window.t_s.size),
        open_s=open_s.value,
        u_open_s=open_s.u,
        open_s_from_scale=window.open_s is None,
        mass_g=mass,
        u_mass_g=_u_mass(budget, per_g, per * parts.timing_g),
        flow_g_per_min=flow,
        flow=whole,
        flow_ml_per_min=flow / liquid.value * 1000.0 if liquid is not None else None,
        steady_g_per_min=60.0 * steady.value * factor.value,
        u_steady_g_per_min=60.0 * steady.u * factor.value,
        evaporation=Known(rate.known.value * factor.value, rate.known.u * factor.value),
        evaporation_seen=rate.seen,
        pot_pressure_bar=_pressure(window, around),
        fluid_c=around.fluid_c,
        timing_error=around.learned.lengths.error(),
        valve_difference=None if window.open_s is None else found.longer_than(window.open_s),
        started_s=start_s,
        ended_s=start_s + found.time(LENGTH).value,
        noise_g=float(found.left.noise_g[0]),
        lag_s=_lag(found),
        jet_g=found.amount(JET).value,
        drip_g=found.amount(DRIP).value,
        budget=budget,
        curve_g=window.mass_g - found.left.residual_g,
        weight=found.left.weight,
    )


def _air(around: Surroundings) -> Known:
    try:
        return air(around.air_temperature_c, around.air_pressure_hpa, around.air_humidity_pct)
    except ValueError:
        return UNKNOWN_AIR


def _open_time(window: Window, around: Surroundings, found: Estimate) -> Known:
    if window.open_s is not None:
        told = Known(window.open_s, u_told_s(window))
        ran = found.longer_than(0.0) if told.u > U_JITTERS_S else None
        if ran is None or not math.isfinite(ran.u):
            return told
        # Both events came over a network: the curve, less the valve's delays, says the open time as well.
        difference = valve_difference(around)
        u_seen = math.sqrt(ran.u**2 + U_STROKE_S**2 + difference.u**2)
        seen = Known(ran.value - difference.value, u_seen)
        return told.joined(seen) if abs(seen.value - told.value) < 4.0 * math.hypot(seen.u, told.u) else told
    # What the curve shows is how long liquid ran; a gun's learned timing error leads back to the command.
    length = found.time(LENGTH)
    seen = Known(length.value, math.hypot(length.u, U_STROKE_S))
    error = around.learned.lengths.significant_error()
    if error is None:
        return Known(max(seen.value, 0.05), seen.u)
    return Known(max(seen.value - error.value, 0.05), math.hypot(seen.u, error.u))


def _doubted(told: Known, window: Window, found: Estimate, beside_s: float) -> Known:
    # Which of the two is wrong nobody knows: the truth lies anywhere between (a rectangle, JCGM 100, 4.3.7),
    # and further by what came or was held back beside the flow: one push would be behind both.
    longer = None if window.open_s is None else found.longer_than(window.open_s)
    if longer is None:
        return told
    return Known(told.value, math.hypot(told.u, abs(longer.value) / math.sqrt(3.0) + beside_s))


def _u_mass(budget: tuple[BudgetLine, ...], per_g: float, timing_g_per_min: float) -> float:
    lines = tuple(each for each in budget if each.source != "timing")
    return math.hypot(combined(lines).u, timing_g_per_min) / per_g


def _scale_lines(around: Surroundings, found: Estimate, per_g: float, flow: float) -> tuple[BudgetLine, ...]:
    lines = [line("calibration", flow * around.scale.u_calibration_rel, "B", "adjustment of the scale")]
    accuracy = around.scale.accuracy_class
    if accuracy is not None:
        interval = around.scale.verification_interval_g or around.scale.resolution_g
        loads = (found.look.level_g, found.look.level_g + found.mass_g)
        # The error curve is a rectangle of the permissible error at either load (JCGM 100, 4.3.7).
        errors = [permissible_error_g(accuracy, interval, load) / math.sqrt(3.0) for load in loads]
        lines.append(
            line("scale", per_g * math.hypot(*errors), "B", f"permissible error, class {accuracy}, OIML R 76")
        )
    return tuple(lines)


def _liquid(around: Surroundings) -> Known | None:
    if around.fluid is None:
        return None
    if around.fluid_c is not None:
        return density(around.fluid, around.fluid_c, U_TEMPERATURE_C)
    return density(around.fluid, around.air_temperature_c, U_TEMPERATURE_ASSUMED_C)


def _finite(window: Window) -> Window:
    from dataclasses import replace

    good = np.isfinite(window.t_s) & np.isfinite(window.mass_g)
    if good.all():
        return window
    stable = None if window.stable is None else window.stable[good]
    return replace(window, t_s=window.t_s[good], mass_g=window.mass_g[good], stable=stable)


def _told(window: Window) -> float | None:
    return (
        window.open_s
        if window.open_s is not None and math.isfinite(window.open_s) and window.open_s > 0
        else None
    )


def _pressure(window: Window, around: Surroundings) -> float | None:
    return None if around.pot is None else around.pot.mean_between(window.opened_s, window.closed_s)


def _lag(found: Estimate) -> Known | None:
    log = found.time(LOG_LAG)
    return Known(math.exp(log.value), math.exp(log.value) * log.u) if found.look.seen else None
