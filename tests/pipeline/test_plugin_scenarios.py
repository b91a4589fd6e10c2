"""Each scenario's expectations, held against the agent, and the truth of every shot."""

from __future__ import annotations

from typing import Any

import pytest

from agent.contract.times import epoch_s
from simulators.bench import SprayCell
from simulators.scenarios import Scenario, list_scenarios
from simulators.scenarios.staging import resolve
from simulators.site import bench_text

QUICK = tuple(scenario for scenario in list_scenarios() if scenario.name != "week-of-shifts")
WEEK = next(scenario for scenario in list_scenarios() if scenario.name == "week-of-shifts")


def played(scenario: Scenario) -> SprayCell:
    cell = SprayCell(scenario=scenario)
    cell.play()
    return cell


def gun_of(cell: SprayCell, who: str) -> str:
    return resolve(who, list(cell.cell.guns), "gun")[0]


def assert_said(cell: SprayCell, scenario: Scenario) -> None:
    expected = scenario.expected
    dispenses = cell.records("dispense")
    if expected.dispenses is not None:
        assert len(dispenses) == expected.dispenses
    if expected.rejected is not None:
        assert sum(d["quality"] == "rejected" for d in dispenses) == expected.rejected
    flags = {flag for d in dispenses for flag in d["flags"]}
    assert set(expected.flags) <= flags
    for who, verdict in expected.verdicts.items():
        check = last(cell, "check", gun=gun_of(cell, who))
        assert check["verdict"] == verdict, check["reason"]
    for who, percent in expected.deviation_pct.items():
        deviation = last(cell, "check", gun=gun_of(cell, who))["deviation_pct"]
        assert deviation == pytest.approx(percent, abs=2.0)
    if expected.balance is not None:
        assert last(cell, "balance")["verdict"] == expected.balance
    if expected.release is not None:
        assert last(cell, "release")["state"] == expected.release
    if expected.release == "released":
        # What was wrong on the way is no longer the newest word on the causes.
        first = [one["code"] for one in (cell.latest("cause") or {"ranked": ()})["ranked"][:1]]
        assert set(first) <= {"flow-right", *expected.causes}
    if expected.held_before:
        assert any("off_target" in [r["code"] for r in held["reasons"]] for held in cell.records("release"))
    if expected.causes:
        assert last(cell, "cause")["ranked"][0]["code"] in expected.causes
    for who, pattern in expected.wear.items():
        assert last(cell, "wear", gun=gun_of(cell, who))["pattern"] == pattern
    spoiled_s = min((true.opened_s for true in cell.truth if true.spoiled), default=0.0)
    raised = {alert["name"] for alert in cell.records("alert") if epoch_s(alert["at"]) >= spoiled_s}
    for name in expected.alerts:
        assert any(one == name or one.startswith(f"{name}-") for one in raised), raised
    if expected.no_alerts:
        assert not cell.records("alert")


def last(cell: SprayCell, kind: str, **members: Any) -> dict[str, Any]:
    found = cell.latest(kind, **members)
    assert found is not None, f"no {kind} {members}"
    return found


def assert_true(cell: SprayCell) -> None:
    """No good number is wrong: every dispense that is not rejected is within 1 % and 4 u of the truth."""
    truths = {true.event_id: true for true in cell.truth}
    compared = 0
    for dispense in cell.records("dispense"):
        true = min(truths.values(), key=lambda t: abs(t.opened_s - epoch_s(dispense["started_at"])))
        if dispense["quality"] == "rejected" or true.flow_g_per_min is None:
            continue
        assert not true.spoiled, f"a spoiled dispense was measured: {dispense}"
        off = abs(dispense["flow_g_per_min"] - true.flow_g_per_min)
        assert off < 0.01 * true.flow_g_per_min, (dispense, true.flow_g_per_min)
        compared += 1
    assert compared


@pytest.mark.parametrize("scenario", QUICK, ids=lambda scenario: scenario.name)
def test_the_agent_says_what_the_scenario_expects(scenario: Scenario) -> None:
    cell = played(scenario)
    assert_true(cell)
    assert_said(cell, scenario)
    if scenario.expected.adjustments is not None:
        turned = cell.technician.adjusted()
        assert sum(turned.values()) == scenario.expected.adjustments


@pytest.mark.parametrize("bleed_s", [3.0, 15.0])
def test_air_outlasts_the_bleed_whatever_its_length(bleed_s: float) -> None:
    config = bench_text().replace("bleed_s = 8.0", f"bleed_s = {bleed_s}")
    air = next(scenario for scenario in QUICK if scenario.name == "air-after-liner-change")
    cell = SprayCell(config=config, scenario=air)
    cell.play()
    first_shot = cell.records("dispense", gun=gun_of(cell, "first"), purpose="shot")[0]
    assert "air_in_line" in first_shot["flags"]
    assert_said(cell, air)


@pytest.mark.slow
@pytest.mark.timeout(300)
def test_a_week_of_shifts() -> None:
    cell = played(WEEK)
    assert_true(cell)
    checks = cell.records("check", gun=gun_of(cell, "first"))
    assert len(checks) == 15
    assert checks[0]["verdict"] == "pass"
    assert_said(cell, WEEK)


def test_same_seed_same_records() -> None:
    scenario = QUICK[0]
    assert played(scenario).records() == played(scenario).records()
