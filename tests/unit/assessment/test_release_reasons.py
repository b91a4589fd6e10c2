"""Released, or held with every reason and the way out."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from agent.assessment.desk import Conditions
from agent.contract.records import Alert, Balance, Check, Release
from agent.contract.times import epoch_s, rfc3339


@pytest.fixture
def checked(floor_of, cell_of):
    """A cell whose two guns passed their checks at noon."""
    floor = floor_of(cell_of(shifts=()), start="2026-03-02T12:00:00Z")
    floor.check("upper")
    floor.check("lower")
    floor.pass_time(70)
    assert floor.last(Release).state == "released"
    return floor


def codes(release: Release) -> list[str]:
    return [reason.code for reason in release.reasons]


def test_with_no_setup_known_nothing_is_said(floor_of, cell_of):
    floor = floor_of(cell_of(shifts=()), start="2026-03-02T12:00:00Z")
    floor.pass_time(600)
    assert floor.of(Release) == []
    assert floor.desk.status().state is None


def test_the_setup_of_the_check_just_made_counts_where_none_is_loaded(checked):
    first, second = checked.of(Release)
    assert (first.state, codes(first)) == ("held", ["check_missing"])
    assert (second.state, second.setup) == ("released", "impeller-barrier")
    oldest = min(epoch_s(check.ended_at) for check in checked.of(Check))
    assert second.valid_until == rfc3339(oldest + 12 * 3600)


def test_told_anew_only_when_something_changed(checked):
    before = len(checked.of(Release))
    checked.event("setup_loaded", setup="impeller-barrier")
    checked.event("cell_ready", ready=False, reason="door open")
    checked.pass_time(3600)
    assert len(checked.of(Release)) == before


def test_another_setup_needs_its_own_checks_of_all_guns(checked):
    checked.event("setup_loaded", setup="flange-primer")
    release = checked.last(Release)
    assert (release.setup, release.state) == ("flange-primer", "held")
    assert codes(release) == ["check_missing", "check_missing"]
    assert [reason.text for reason in release.reasons] == [
        "gun upper was never checked for flange-primer",
        "gun lower was never checked for flange-primer",
    ]
    assert all(reason.remedy for reason in release.reasons)
    assert [reason.gun for reason in release.reasons] == ["upper", "lower"]
    checked.event("setup_loaded", setup="impeller-barrier")
    assert checked.last(Release).state == "released"


def test_a_setup_nobody_configured_is_held(checked):
    checked.event("setup_loaded", setup="typo")
    release = checked.last(Release)
    assert (release.setup, release.state, codes(release)) == ("typo", "held", ["setup_unknown"])


def test_times_in_texts_are_those_of_the_site(floor_of, cell_of):
    floor = floor_of(cell_of(shifts=()), start="2026-07-01T12:00:00Z")
    floor.check("upper")
    floor.check("lower")
    floor.skip_to("2026-07-01T13:30:00Z")
    floor.event("needle_set", gun="upper", setting=4.5)
    (reason,) = floor.last(Release).reasons
    assert reason.text == "the needle of gun upper was set to 4.5 at 2026-07-01 14:30 WEST, after its check"
    floor.run("2026-07-02T12:00:00Z", step_s=300.0)
    texts = [reason.text for release in floor.of(Release) for reason in release.reasons]
    texts += [alert.text for alert in floor.of(Alert)]
    assert any("ran out at 2026-07-02 01:0" in text for text in texts)
    assert not [text for text in texts if re.search(r"\d\d:\d\d(:\d\d)?(\.\d+)?Z", text)]


def test_a_turned_needle_and_a_changed_part_are_both_named(checked):
    checked.event("needle_set", gun="upper", setting=4.5)
    checked.event("part_changed", gun="upper", part="nozzle")
    release = checked.last(Release)
    assert codes(release) == ["needle_changed", "part_changed"]
    assert "nozzle" in release.reasons[1].text
    assert release.valid_until is None
    checked.check("upper")
    assert checked.last(Release).state == "released"


def test_a_needle_set_to_where_it_stood_changes_nothing(floor_of, cell_of):
    floor = floor_of(cell_of(shifts=()), start="2026-03-02T12:00:00Z")
    floor.event("needle_set", gun="upper", setting=4.5)
    floor.check("upper")
    floor.check("lower")
    floor.event("needle_set", gun="upper", setting=4.5)
    assert floor.last(Release).state == "released"
    floor.event("needle_set", gun="upper")
    assert codes(floor.last(Release)) == ["needle_changed"]


def test_held_to_the_second_when_the_first_check_runs_out(checked):
    until = checked.last(Release).valid_until
    checked.skip_to(epoch_s(until) - 1)
    checked.pass_time(0.5, step_s=0.5)
    assert checked.last(Release).state == "released"
    checked.pass_time(100)
    release = checked.of(Release)[2]
    assert (release.at, release.state, codes(release)) == (until, "held", ["check_expired"])
    checked.pass_time(3600)
    assert codes(checked.last(Release)) == ["check_expired", "check_expired"]


def test_off_target_tells_the_reason_and_the_way_out(checked):
    checked.flows["lower"] = 88.0
    checked.check("lower")
    release = checked.last(Release)
    assert "off_target" in codes(release)
    off = release.reasons[0]
    assert "8." in off.text
    assert "below target" in off.text
    assert "Set the needle of gun lower as advised" in off.remedy


def test_a_check_that_was_begun_and_cut_off_is_not_said_to_be_missing(floor_of, cell_of):
    floor = floor_of(cell_of(shifts=(), takes_requests=False), start="2026-03-02T12:00:00Z")
    floor.event("setup_loaded", setup="impeller-barrier")
    assert codes(floor.last(Release)) == ["check_missing", "check_missing"]
    floor.event("check_started", gun="upper", setup="impeller-barrier")
    floor.shoot("upper", check_id=floor.events[-1].event_id)
    floor.event("check_ended", gun="upper", setup="impeller-barrier")
    floor.pass_time(70)
    for _ in range(2):
        release = floor.last(Release)
        assert codes(release) == ["check_incomplete", "check_missing"]
        assert release.reasons[0].text == (
            "the check of gun upper for impeller-barrier was begun at 2026-03-02 12:00 WET and is "
            "incomplete: 1 of 3 shots is usable"
        )
        assert release.reasons[0].remedy == "Run the flow check of gun upper again, to its end."
        floor.restart()
        floor.pass_time(10)
    assert floor.desk.status().reasons == release.reasons
    floor.check("upper")
    assert codes(floor.last(Release)) == ["check_missing"]


def test_once_the_needle_is_set_as_advised_the_way_out_is_the_check(checked):
    checked.check("lower", flows=[88.0, 88.1, 88.2])
    assert "off_target" in codes(checked.last(Release))
    checked.event("needle_set", gun="lower", setting=5.4)
    release = checked.last(Release)
    assert codes(release) == ["needle_changed"]
    assert release.reasons[0].remedy == "Run the flow check of gun lower."


def test_a_gun_that_was_off_when_its_check_ran_out_is_still_told_so(checked):
    checked.check("lower", flows=[88.0, 88.1, 88.2])
    checked.pass_time(13 * 3600, step_s=600.0)
    assert codes(checked.last(Release)) == ["check_expired", "check_expired", "off_target"]


def test_both_in_tolerance_and_still_unbalanced(checked):
    checked.sd_rel = 0.001
    checked.flows.update(upper=98.7, lower=93.5)
    checked.check("upper")
    checked.check("lower")
    assert [check.verdict for check in checked.of(Check)[-2:]] == ["pass", "pass"]
    balance = checked.last(Balance)
    assert balance.verdict == "fail"
    assert codes(checked.last(Release)) == ["unbalanced"]
    assert checked.last(Release).reasons[0].gun == balance.off
    advice = [r for r in checked.said if r.record == "advice" and r.gun == balance.off][-1]
    assert advice.change


def test_a_gun_alone_needs_no_balance(floor_of, cell_of):
    cell = cell_of(shifts=())
    floor = floor_of(replace(cell, guns=cell.guns[:1]), start="2026-03-02T12:00:00Z")
    floor.check("upper")
    assert floor.of(Balance) == []
    assert floor.last(Release).state == "released"


def test_a_pot_off_its_setpoint_holds_by_its_alarm(checked):
    def pressure(bar: float, seconds: float) -> None:
        for _ in range(int(seconds)):
            checked.now_s += 1
            told = Conditions(checked.now_s, pot_pressure_bar=bar)
            checked.hear(checked.desk.conditions(told))
            checked.hear(checked.desk.passed(checked.now_s))

    pressure(0.5, 30)
    pressure(0.53, 14)
    assert checked.last(Release).state == "released"
    pressure(0.5, 5)
    pressure(0.53, 20)
    release = checked.last(Release)
    assert (release.state, codes(release)) == ("held", ["alarm"])
    assert "0.53 bar is 6 % above the 0.5 bar" in release.reasons[0].text
    told = len(checked.said)
    pressure(0.524, 60)  # inside the limit, within the deadband
    assert len(checked.said) == told
    pressure(0.51, 20)
    assert checked.last(Release).state == "released"
    pressure(0.0, 100)  # vented for a pot change: nobody is called
    assert checked.alerts("pressure-off-setpoint") == ["UNACK", "RTNUN"]


def test_an_alarm_somebody_acknowledged_still_holds(checked):
    from agent.contract.inputs import AlarmCommand

    checked.hear(checked.desk.conditions(Conditions(checked.now_s, idle_slopes={"floor": (0.03, 0.001)})))
    checked.pass_time(70)
    assert codes(checked.last(Release)) == ["alarm"]
    command = AlarmCommand("north", checked.now_s, "leaking-floor", "acknowledge", "setter")
    checked.hear(checked.desk.alarm_command(command))
    assert checked.alerts("leaking-floor") == ["UNACK", "ACKED"]
    checked.pass_time(70)
    assert checked.last(Release).state == "held"
    checked.hear(checked.desk.conditions(Conditions(checked.now_s, idle_slopes={"floor": (-0.01, 0.001)})))
    checked.pass_time(70)
    assert checked.last(Release).state == "released"
    assert checked.alerts("leaking-floor")[-1] == "NORM"


def test_a_target_changed_in_the_configuration_voids_a_check(checked):
    from agent.assessment.desk import Desk

    changed = tuple(
        replace(setup, target_g_per_min=90.0) if setup.name == "impeller-barrier" else setup
        for setup in checked.plan.setups
    )
    plan = replace(checked.plan, setups=changed)
    desk = Desk(checked.cell, plan)
    desk.restore(checked.said, checked.events)
    (release,) = [r for r in desk.passed(checked.now_s + 5) if isinstance(r, Release)]
    assert codes(release) == ["target_changed", "target_changed"]
