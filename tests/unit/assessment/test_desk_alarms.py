"""Alarms on results and conditions: one per cause, no flood."""

from __future__ import annotations

import pytest

from agent.assessment.desk import Conditions, Fault
from agent.contract.records import Alert, Check, Request, Wear
from agent.contract.times import rfc3339


def silence(floor, speaks: bool) -> None:
    floor.hear(floor.desk.conditions(Conditions(floor.now_s, scales={"floor": speaks})))


def calls(floor) -> list[str]:
    """Names of alarms that called somebody."""
    return [alert.name for alert in floor.of(Alert) if alert.state == "UNACK"]


def test_a_scale_silent_in_the_middle_of_a_check_is_one_alarm(floor):
    floor.answers = False
    floor.run("2026-03-02T05:30:30Z")
    request = floor.last(Request)
    from agent.contract.inputs import Reply

    floor.hear(floor.desk.reply(Reply("north", floor.now_s, request.id, True)))
    floor.event("check_started", gun="upper", setup="impeller-barrier")
    floor.shoot("upper")
    silence(floor, False)
    floor.pass_time(80)
    floor.event("check_ended", gun="upper", setup="impeller-barrier")
    floor.run("2026-03-02T05:34:00Z")
    assert calls(floor) == ["scale-silent-floor"]
    (alarm,) = floor.of(Alert)[:1]
    assert alarm.text == ("scale floor sends no readings; it fell silent in the middle of the check of upper")
    assert floor.last(Check).verdict == "inconclusive"
    assert floor.alerts("check-inconclusive-upper") == ["DSUPR"]
    silence(floor, True)
    floor.answers = True
    floor.run("2026-03-02T06:00:00Z")
    assert floor.alerts("scale-silent-floor") == ["UNACK", "RTNUN"]
    assert floor.last(Check).verdict == "pass"
    assert len([c for c in floor.of(Check) if c.verdict == "pass"]) == 2
    assert "check-overdue" not in calls(floor)


def test_a_scale_silent_after_the_checks_cut_none(floor):
    floor.run("2026-03-02T05:30:00Z")
    while len(floor.of(Check)) < 2:
        floor.run(floor.now_s + 30, step_s=1.0)
    silence(floor, False)
    alarm = floor.last(Alert)
    assert (alarm.name, alarm.text) == ("scale-silent-floor", "scale floor sends no readings")


def test_a_scale_silent_after_check_ended_cut_none_though_the_check_has_no_result_yet(floor_of, cell_of):
    floor = floor_of(cell_of(shifts=()), start="2026-03-02T12:00:00Z")
    floor.event("check_started", gun="upper", setup="impeller-barrier")
    for flow in (96.0, 96.1, 99.5):
        floor.shoot("upper", flow, check_id=floor.events[-1].event_id)
    floor.event("check_ended", gun="upper", setup="impeller-barrier")
    (request,) = floor.of(Request)
    floor.pass_time(240)
    assert floor.desk.status().guns[0].running
    silence(floor, False)
    assert floor.last(Alert).text == "scale floor sends no readings"
    silence(floor, True)
    floor.reply(request, True)
    floor.event("check_started", gun="upper", setup="impeller-barrier")
    floor.shoot("upper", check_id=floor.events[-1].event_id)
    floor.pass_time(20)
    silence(floor, False)
    assert "in the middle of the check of upper" in floor.last(Alert).text


def test_when_the_silence_lasts_the_shift_start_names_it(floor):
    silence(floor, False)
    floor.runs = False
    floor.run("2026-03-02T06:10:00Z")
    overdue = next(alert for alert in floor.of(Alert) if alert.name == "check-overdue")
    assert "scale floor is silent" in overdue.text
    assert set(calls(floor)) == {"scale-silent-floor", "check-overdue"}


def test_off_target_is_one_alarm_though_it_spoils_the_balance_too(floor_of, cell_of):
    floor = floor_of(cell_of(shifts=()), start="2026-03-02T12:00:00Z")
    floor.check("upper")
    floor.check("lower")
    floor.flows["lower"] = 88.0
    floor.check("lower")
    assert calls(floor) == ["flow-off-target-lower"]
    alarm = next(alert for alert in floor.of(Alert) if alert.name == "flow-off-target-lower")
    assert "below target" in alarm.text
    assert "likeliest cause: tip-plugged" in alarm.text
    assert floor.alerts("unbalanced") == ["DSUPR"]
    floor.flows["lower"] = 96.0
    floor.check("lower")
    assert floor.alerts("flow-off-target-lower") == ["UNACK", "RTNUN"]
    assert floor.alerts("unbalanced") == ["DSUPR", "NORM"]


@pytest.mark.parametrize("restarts", [False, True])
def test_an_alarm_that_stands_tells_the_deviation_of_now(floor_of, cell_of, restarts):
    floor = floor_of(cell_of(shifts=()), start="2026-03-02T12:00:00Z")

    def check(flow: float) -> None:
        floor.check("upper", flows=[flow, flow + 0.1, flow - 0.1])
        if restarts:
            floor.restart()

    for flow in (88.0, 87.6, 86.0, 85.6):
        check(flow)
    told = [alert for alert in floor.of(Alert) if alert.name == "flow-off-target-upper"]
    assert [alert.state for alert in told] == ["UNACK", "UNACK"]
    assert len({alert.since for alert in told}) == 1
    assert ["8.3 % below target" in told[0].text, "10.4 % below target" in told[1].text] == [True, True]
    if not restarts:
        (standing,) = [alarm for alarm in floor.desk.status().alarms if alarm.name == told[0].name]
        assert "10.8 % below target" in standing.text


def test_a_pressure_that_goes_on_rising_is_told_again_now_and_then(floor_of, cell_of):
    floor = floor_of(cell_of(shifts=()), start="2026-03-02T12:00:00Z")
    floor.check("upper")
    floor.check("lower")
    began = len(floor.said)
    for second in range(1800):
        floor.now_s += 1
        bar = 0.55 + 0.0001 * second + (0.01 if second % 2 else -0.01)
        floor.hear(floor.desk.conditions(Conditions(floor.now_s, pot_pressure_bar=bar)))
        floor.hear(floor.desk.passed(floor.now_s))
    told = [alert for alert in floor.said[began:] if alert.record == "alert"]
    assert {alert.name for alert in told} == {"pressure-off-setpoint"}
    assert len(told) == 6
    assert [alert.state for alert in told] == ["UNACK"] * 6
    assert told[-1].text == "pot pressure 0.71 bar is 42 % above the 0.5 bar of impeller-barrier"
    # The hold repeats what the alarm said last, and not every reading.
    held = [release for release in floor.said[began:] if release.record == "release"]
    assert len(held) == 6
    assert held[-1].reasons[-1].text == f"alarm pressure-off-setpoint: {told[-1].text}"


def test_an_unsure_result_does_not_end_an_alarm(floor_of, cell_of):
    floor = floor_of(cell_of(shifts=(), takes_requests=False), start="2026-03-02T12:00:00Z")
    floor.check("upper", flows=[88.0, 88.1, 88.2])
    floor.check("upper", flows=[92.0, 96.0, 100.0])
    assert floor.alerts("flow-off-target-upper") == ["UNACK"]
    floor.check("upper", flows=[96.0, 96.1, 96.2])
    assert floor.alerts("flow-off-target-upper") == ["UNACK", "RTNUN"]


@pytest.mark.parametrize(
    ("slope", "u", "alarms"), [(0.03, 0.002, 1), (0.03, 0.02, 0), (0.004, 0.0001, 0), (-0.02, 0.001, 0)]
)
def test_mass_that_creeps_is_a_leak_where_it_is_sure_and_lasts(floor, slope, u, alarms):
    for _ in range(20):
        floor.hear(floor.desk.conditions(Conditions(floor.now_s, idle_slopes={"floor": (slope, u)})))
        floor.pass_time(5)
    assert len(calls(floor)) == alarms
    if alarms:
        alert = floor.of(Alert)[0]
        assert (alert.name, alert.priority) == ("leaking-floor", "high")
        assert "1.80 g/min" in alert.text
        assert "depressurise" in alert.action


def test_faults_of_the_rim_are_alarms_of_the_cell_by_name(floor):
    told = Conditions(floor.now_s, faults=(Fault("input-rejected", True, "not JSON on .../reading"),))
    for _ in range(500):
        floor.hear(floor.desk.conditions(told))
    assert calls(floor) == ["input-rejected"]
    floor.pass_time(700)
    assert floor.alerts("input-rejected") == ["UNACK", "RTNUN"]


def test_part_changed_ends_wear(floor_of, cell_of):
    floor = floor_of(cell_of(shifts=()), start="2026-03-02T12:00:00Z")
    floor.event("part_changed", gun="upper", part="nozzle")
    for _ in range(3):
        floor.check("upper")
    wear = floor.last(Wear)
    assert (wear.checks, wear.part) == (3, "nozzle")
    floor.event("part_changed", gun="upper", part="needle")
    wear = floor.last(Wear)
    assert (wear.gun, wear.at, wear.since) == ("upper", rfc3339(floor.now_s), rfc3339(floor.now_s))
    assert (wear.checks, wear.part, wear.pattern, wear.change_pct) == (0, "needle", "none", None)
    assert wear.reason == "0 of 5 checks for a baseline of the new parts"
    floor.check("upper")
    wear = floor.last(Wear)
    assert (wear.checks, wear.part) == (1, "needle")


def test_part_changed_ends_the_alarms_of_the_old_part(floor_of, cell_of):
    floor = floor_of(cell_of(shifts=()), start="2026-03-02T12:00:00Z")
    floor.sd_rel = 0.0005
    for percent in [0.0] * 8 + [2.0, 5.0, 8.0, 11.0, 14.0, 17.0]:
        floor.flows["upper"] = 96.0 * (1 + percent / 100)
        floor.check("upper")
        floor.pass_time(86400, step_s=3600.0)
    assert set(floor.alerts("worn-upper")) == {"UNACK"}
    floor.event("part_changed", gun="upper", part="nozzle")
    assert floor.alerts("worn-upper")[-1] == "RTNUN"
    floor.restart()
    assert "worn-upper" not in {alarm.name for alarm in floor.desk.status().alarms if alarm.active}


def test_an_alarm_flood_is_impossible_over_a_day_of_everything_broken(floor):
    """EEMUA 191: more than 10 alarms in 10 minutes is a flood (check-values section 6.1)."""
    floor.refuses = "busy"
    silence(floor, False)
    for hour in range(24):
        floor.hear(
            floor.desk.conditions(
                Conditions(
                    floor.now_s,
                    pot_pressure_bar=0.7,
                    idle_slopes={"floor": (0.05, 0.001)},
                    faults=(Fault("input-rejected", hour % 2 == 0, "x"),),
                )
            )
        )
        floor.run(floor.now_s + 3600)
    times = sorted(alert.at for alert in floor.of(Alert) if alert.state == "UNACK")
    assert len(times) <= 24
