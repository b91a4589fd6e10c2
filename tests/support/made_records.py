"""Records and events of an invented cell, for tests."""

from __future__ import annotations

from typing import Any

from agent.contract.inputs import ControllerEvent
from agent.contract.records import Alert, Check, Dispense, ShotUsed, record_id
from agent.contract.times import rfc3339

START_S = 1_770_000_000.0


def make_dispense(
    number: int, *, gun: str | None = "upper", at_s: float | None = None, **changes: Any
) -> Dispense:
    at_s = START_S + 40.0 * number if at_s is None else at_s
    values: dict[str, Any] = {
        "id": record_id("dispense", "north", gun, number),
        "cell": "north",
        "at": rfc3339(at_s),
        "gun": gun,
        "scale": "floor",
        "setup": "impeller-barrier",
        "purpose": "shot",
        "check_id": None,
        "started_at": rfc3339(at_s - 25.0),
        "ended_at": rfc3339(at_s - 5.0),
        "open_s": 20.0,
        "open_s_from": "controller",
        "mass_g": 32.0 + number / 1000.0,
        "u_mass_g": 0.06,
        "flow_g_per_min": 96.0 + number * 0.003,
        "u_flow_g_per_min": 0.2,
        "flow_ml_per_min": 119.2,
        "steady_flow_g_per_min": 97.0,
        "evaporation_g_per_s": 0.0004,
        "pot_pressure_bar": 0.5,
        "fluid_c": 21.5,
        "quality": "good",
        "flags": (),
        "n_readings": 300,
    }
    return Dispense(**(values | changes))


def make_alert(number: int, at_s: float = START_S, **changes: Any) -> Alert:
    values: dict[str, Any] = {
        "id": record_id("alert", "north", "line-air", number),
        "cell": "north",
        "at": rfc3339(at_s),
        "name": "line-air",
        "state": "UNACK",
        "priority": "medium",
        "since": rfc3339(at_s),
        "text": "Air in the line",
        "consequence": "Flow is read too high",
        "action": "Bleed the line",
    }
    return Alert(**(values | changes))


def make_event(number: int, **changes: Any) -> ControllerEvent:
    values: dict[str, Any] = {
        "cell": "north",
        "event": "gun_opened",
        "t_s": START_S + number,
        "arrived_s": START_S + number + 0.05,
        "event_id": f"e-{number}",
        "gun": "upper",
        "purpose": "shot",
        "setup": "impeller-barrier",
    }
    return ControllerEvent(**(values | changes))


def make_check(number: int, *, gun: str = "upper", at_s: float | None = None, **changes: Any) -> Check:
    at_s = START_S + 120.0 * number if at_s is None else at_s
    shots = tuple(
        ShotUsed(
            id=record_id("dispense", "north", gun, 3 * number + shot),
            started_at=rfc3339(at_s - 100.0 + 30.0 * shot),
            flow_g_per_min=96.0 + 0.1 * shot,
            u_flow_g_per_min=0.2,
        )
        for shot in range(3)
    )
    values: dict[str, Any] = {
        "id": record_id("check", "north", gun, number),
        "cell": "north",
        "at": rfc3339(at_s),
        "gun": gun,
        "setup": "impeller-barrier",
        "fluid": "butanone",
        "started_at": rfc3339(at_s - 100.0),
        "ended_at": rfc3339(at_s - 5.0),
        "shots": shots,
        "left_out": (),
        "mean_g_per_min": 96.1,
        "sd_g_per_min": 0.1,
        "repeatability_pct": 0.104,
        "u_g_per_min": 0.2,
        "dof": 12.0,
        "low_g_per_min": 95.7,
        "high_g_per_min": 96.5,
        "pot_pressure_bar": 0.5,
        "at_setpoint_g_per_min": 96.1,
        "u_at_setpoint_g_per_min": 0.2,
        "target_g_per_min": 96.0,
        "tolerance_pct": 5.0,
        "deviation_pct": 0.104,
        "u_deviation_pct": 0.21,
        "conformance_probability": 0.999,
        "verdict": "pass",
        "reason": "Within tolerance",
    }
    return Check(**(values | changes))
