"""A measurement as the record that is journalled and told."""

from __future__ import annotations

from dataclasses import replace

from agent.contract.records import Dispense, record_id
from agent.contract.times import rfc3339
from agent.detection.window import Window
from agent.flow.measuring import Measurement
from agent.flow.surroundings import Surroundings


def dispense_record(window: Window, around: Surroundings, measured: Measurement) -> Dispense:
    """The record of a measured dispense; its id depends on what happened alone, not on when.

    A rejected one keeps what was told and read beside the scale; what the fit made of a spoiled curve is no
    result and is not told.
    """
    measured = _told_of(measured, window)
    rate, error = measured.evaporation, measured.timing_error
    flow, whole = measured.flow_g_per_min, measured.flow
    return Dispense(
        id=record_id("dispense", window.cell, window.scale, window.origin),
        cell=window.cell,
        at=_text(window.ended_s, window),
        gun=window.gun,
        scale=around.scale.name,
        setup=window.setup,
        purpose=window.purpose,
        check_id=window.check_id,
        started_at=_text(measured.started_s, window),
        ended_at=_text(measured.ended_s, window),
        open_s=measured.open_s,
        u_open_s=measured.u_open_s,
        open_error_s=None if error is None else error.value,
        u_open_error_s=None if error is None else error.u,
        open_s_from="scale" if measured.open_s_from_scale or window.open_s is None else "controller",
        mass_g=measured.mass_g,
        u_mass_g=measured.u_mass_g,
        flow_g_per_min=flow,
        u_flow_g_per_min=None if whole is None else whole.u,
        dof=None if whole is None else whole.dof,
        flow_low_g_per_min=None if whole is None or flow is None else flow - whole.below,
        flow_high_g_per_min=None if whole is None or flow is None else flow + whole.above,
        flow_ml_per_min=measured.flow_ml_per_min,
        steady_flow_g_per_min=measured.steady_g_per_min,
        u_steady_flow_g_per_min=measured.u_steady_g_per_min,
        evaporation_g_per_s=None if rate is None else rate.value,
        pot_pressure_bar=measured.pot_pressure_bar,
        fluid_c=measured.fluid_c,
        quality=measured.quality,
        flags=measured.flags,
        n_readings=measured.n_readings,
        budget=measured.budget,
        why_rejected=measured.why_rejected,
    )


def _told_of(measured: Measurement, window: Window) -> Measurement:
    if measured.quality != "rejected":
        return measured
    seen_alone = measured.open_s_from_scale
    return replace(
        measured,
        started_s=window.opened_s,
        ended_s=window.closed_s,
        open_s=None if seen_alone else measured.open_s,
        u_open_s=None if seen_alone else measured.u_open_s,
        mass_g=None,
        u_mass_g=None,
        flow_g_per_min=None,
        flow=None,
        flow_ml_per_min=None,
        steady_g_per_min=None,
        u_steady_g_per_min=None,
        evaporation=None,
        budget=(),
    )


def _text(at_s: float, window: Window) -> str:
    # A window whose own times are no times still gets a record, at the time it was finished.
    for time_s in (at_s, window.ended_s, 0.0):
        try:
            return rfc3339(time_s)
        except ValueError:
            continue
    raise AssertionError("the epoch is a time")
