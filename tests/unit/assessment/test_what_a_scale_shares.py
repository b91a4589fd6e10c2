"""What all shots on a scale share is in every flow, and in no comparison of checks or guns."""

from __future__ import annotations

import math

import pytest

from agent.contract.records import Balance, BudgetLine, Check, Wear

READINGS_G_PER_MIN, TIMING_G_PER_MIN = 0.06, 0.05


def budget(scale_g_per_min: float) -> dict[str, object]:
    """The members of a shot whose scale may be wrong by so much."""
    lines = (
        BudgetLine(source="readings", u_g_per_min=READINGS_G_PER_MIN, dof=400, kind="A"),
        BudgetLine(source="timing", u_g_per_min=TIMING_G_PER_MIN, dof=None, kind="B"),
        BudgetLine(source="scale", u_g_per_min=scale_g_per_min, dof=None, kind="B"),
    )
    return {"u_flow_g_per_min": math.hypot(*(line.u_g_per_min for line in lines)), "budget": lines}


def weeks_of(floor_of, scale_g_per_min: float):
    """Fourteen daily checks of both guns; the first gives 1.5 % more from the ninth on."""
    floor = floor_of()
    for day in range(14):
        floor.flows["upper"] = 96.0 * (1.015 if day >= 8 else 1.0)
        for gun in floor.flows:
            for _ in range(3):
                floor.shoot(gun, **budget(scale_g_per_min))
        floor.skip_to(floor.now_s + 86400.0)
    return floor


def test_a_scale_that_may_be_wrong_hides_no_wear_and_no_balance(floor_of) -> None:
    sure, doubtful = weeks_of(floor_of, 0.0), weeks_of(floor_of, 0.8)
    checks = sure.last(Check), doubtful.last(Check)
    assert checks[1].u_g_per_min == pytest.approx(math.hypot(checks[0].u_g_per_min, 0.8))
    assert checks[1].u_alone_g_per_min == pytest.approx(checks[0].u_alone_g_per_min)
    assert checks[0].u_alone_g_per_min == pytest.approx(checks[0].u_at_setpoint_g_per_min)
    assert checks[1].dof_alone == pytest.approx(checks[0].dof_alone)
    assert checks[1].dof > 100 * checks[1].dof_alone
    for kind, members in (
        (Wear, ("pattern", "change_pct", "change_low_pct", "change_high_pct")),
        (Balance, ("spread_pct", "u_spread_pct", "verdict")),
    ):
        for name in members:
            mine, theirs = (
                [getattr(record, name) for record in floor.of(kind)] for floor in (sure, doubtful)
            )
            assert mine == pytest.approx(theirs), name


def test_after_a_restart_guns_are_compared_as_before(floor_of) -> None:
    floor, other = weeks_of(floor_of, 0.8), weeks_of(floor_of, 0.8)
    other.restart()
    for one in (floor, other):
        for _ in range(3):
            one.shoot("lower", **budget(0.8))
    assert other.last(Balance).u_spread_pct == pytest.approx(floor.last(Balance).u_spread_pct)
    assert other.last(Balance).u_spread_pct < 0.6


def test_a_flow_brought_to_another_pressure_is_as_uncertain_as_the_pressure(floor_of) -> None:
    """JCGM 100 (10): half of what the gauge does not resolve, and what the exponent may be wrong by."""
    floor = floor_of()
    floor.pressure_bar = 0.52
    for _ in range(3):
        floor.shoot("upper", **budget(0.8))
    check = floor.last(Check)
    factor = (0.50 / 0.52) ** 0.5
    by_pressure = check.at_setpoint_g_per_min * math.hypot(0.5 * 0.002, 0.02 * math.log(0.50 / 0.52))
    assert by_pressure > 0.1
    assert check.at_setpoint_g_per_min == pytest.approx(check.mean_g_per_min * factor)
    assert check.u_at_setpoint_g_per_min == pytest.approx(
        math.hypot(check.u_g_per_min * factor, by_pressure), rel=1e-6
    )
    own = math.sqrt(check.u_g_per_min**2 - 0.8**2)
    assert check.u_alone_g_per_min == pytest.approx(math.hypot(own * factor, by_pressure), rel=1e-6)
