"""Exactly one check per gun, shift and day: summer time, restarts, refusals, power cuts.

Dates of the change are those of the tz database: Europe/Berlin and Europe/Lisbon on 2026-03-29 and
2026-10-25, America/New_York on 2026-03-08 and 2026-11-01.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from datetime import UTC, date, datetime
from itertools import pairwise

import pytest

from agent.assessment.shift_calendar import around, starts_s
from agent.contract.inputs import Reply
from agent.contract.plan import Plan, Shift
from agent.contract.records import Alert, Check, Release, Request
from agent.contract.times import epoch_s, rfc3339

ALL_DAYS = (0, 1, 2, 3, 4, 5, 6)
THREE = tuple(
    Shift(f"at-{hour}", ALL_DAYS, f"{hour}:00", 30.0, "impeller-barrier") for hour in ("00", "02", "06")
)


@pytest.mark.parametrize(
    ("zone", "day", "starts", "utc"),
    [
        ("Europe/Berlin", date(2026, 3, 28), "02:00", "2026-03-28T01:00"),
        ("Europe/Berlin", date(2026, 3, 29), "02:00", "2026-03-29T01:00"),  # shown as 03:00
        ("Europe/Berlin", date(2026, 3, 29), "02:30", "2026-03-29T01:30"),  # shown as 03:30
        ("Europe/Berlin", date(2026, 3, 29), "06:00", "2026-03-29T04:00"),
        ("Europe/Berlin", date(2026, 3, 30), "00:00", "2026-03-29T22:00"),
        ("Europe/Berlin", date(2026, 10, 25), "02:00", "2026-10-25T00:00"),  # the first of the two
        ("Europe/Berlin", date(2026, 10, 25), "06:00", "2026-10-25T05:00"),
        ("Europe/Berlin", date(2026, 10, 26), "00:00", "2026-10-25T23:00"),
        ("America/New_York", date(2026, 3, 8), "02:00", "2026-03-08T07:00"),
        ("America/New_York", date(2026, 11, 1), "01:00", "2026-11-01T05:00"),
        ("Europe/Lisbon", date(2026, 3, 29), "06:00", "2026-03-29T05:00"),
    ],
)
def test_local_starts_on_the_line_of_utc(zone, day, starts, utc):
    start = starts_s(Shift("s", ALL_DAYS, starts, 30.0, "x"), day, zone)
    assert datetime.fromtimestamp(start, UTC).strftime("%Y-%m-%dT%H:%M") == utc


@pytest.mark.parametrize("zone", ["Europe/Berlin", "America/New_York", "Australia/Lord_Howe", "UTC"])
def test_one_start_per_shift_and_day_over_a_whole_year(zone):
    found = set()
    for day in range(366):
        for one in around(THREE, zone, epoch_s("2026-01-01T12:00:00Z") + 86400 * day):
            found.add((one.shift.name, one.date, one.starts_s))
    per_day = Counter((name, day) for name, day, _ in found)
    assert set(per_day.values()) == {1}
    assert len([1 for name, day in per_day if day.startswith("2026")]) == 3 * 365


def asked(floor) -> Counter[tuple[str, ...]]:
    """Requests for shifts, by gun and shift's name and date."""
    return Counter((request.gun, request.why) for request in floor.of(Request) if "shift" in request.why)


@pytest.mark.parametrize(
    ("zone", "start", "end"),
    [
        ("Europe/Berlin", "2026-03-27T18:00:00Z", "2026-03-31T18:00:00Z"),
        ("Europe/Berlin", "2026-10-23T18:00:00Z", "2026-10-27T18:00:00Z"),
        ("America/New_York", "2026-03-06T23:30:00Z", "2026-03-10T23:30:00Z"),
        ("America/New_York", "2026-10-30T23:30:00Z", "2026-11-03T23:30:00Z"),
    ],
)
def test_one_check_per_gun_shift_and_day_over_summer_time(floor_of, cell_of, zone, start, end):
    floor = floor_of(cell_of(shifts=THREE), start=start)
    floor.plan = replace(floor.plan, timezone=zone)
    floor.restart()
    floor.run(end)
    counts = asked(floor)
    assert set(counts.values()) == {1}
    assert len(counts) == 2 * 3 * 4
    assert floor.alerts("check-overdue") == []
    assert {release.state for release in floor.of(Release)} == {"held", "released"}


@pytest.mark.parametrize("restart_every_s", [60, 600])
def test_restarts_around_the_time_ask_no_second_time(floor_of, cell_of, restart_every_s):
    floor = floor_of(cell_of(), start="2026-03-02T05:20:00Z")
    while floor.now_s < epoch_s("2026-03-02T06:30:00Z"):
        floor.run(floor.now_s + restart_every_s, step_s=10.0)
        floor.restart()
    assert len(floor.of(Check)) == 2
    assert set(asked(floor).values()) == {1}


def test_asks_lead_min_before_and_one_gun_of_a_scale_after_the_other(floor):
    floor.run("2026-03-02T05:29:50Z", step_s=10.0)
    assert floor.of(Request) == []
    floor.run("2026-03-02T05:30:00Z", step_s=10.0)
    first = floor.of(Request)[0]
    assert (first.at, first.gun) == ("2026-03-02T05:30:00.000Z", "upper")
    assert (first.request, first.shots, first.shot_s, first.bleed_s) == ("flow_check", 3, 20.0, 8.0)
    assert first.expires == "2026-03-02T05:35:00.000Z"
    floor.run("2026-03-02T05:40:00Z")
    upper, lower = floor.of(Request)
    assert lower.gun == "lower"
    assert epoch_s(lower.at) >= epoch_s(floor.of(Check)[0].at)
    assert upper.id != lower.id


def test_guns_on_scales_of_their_own_are_asked_at_once(floor_of, cell_of):
    from agent.contract.plan import Gun, Scale

    cell = cell_of(
        scales=(Scale("left", 0.1, 6100.0), Scale("right", 0.1, 6100.0)),
        guns=(Gun("upper", "left"), Gun("lower", "right")),
    )
    floor = floor_of(cell, start="2026-03-02T05:29:00Z")
    floor.answers = False
    floor.run("2026-03-02T05:31:00Z")
    assert [request.gun for request in floor.of(Request)] == ["upper", "lower"]


def test_done_before_the_shift_and_released(floor):
    floor.run("2026-03-02T06:00:00Z")
    release = floor.last(Release)
    assert (release.state, release.setup, release.reasons) == ("released", "impeller-barrier", ())
    first_end = min(epoch_s(check.ended_at) for check in floor.of(Check))
    assert release.valid_until == rfc3339(first_end + 12 * 3600)


def test_not_on_days_that_are_no_working_days(floor_of):
    floor = floor_of(start="2026-03-07T00:00:00Z")  # a Saturday
    floor.run("2026-03-08T23:00:00Z", step_s=60.0)
    assert floor.of(Request) == []


def test_a_busy_controller_is_asked_again_with_growing_pauses_until_the_start(floor):
    floor.refuses = "busy: a job is running"
    floor.run("2026-03-02T08:00:00Z", step_s=5.0)
    times = [epoch_s(request.at) for request in floor.of(Request) if request.gun == "upper"]
    pauses = [b - a for a, b in pairwise(times)]
    assert all(a <= b + 10 for a, b in pairwise(pauses[:5]))
    assert pauses[0] <= 60
    assert max(pauses) <= 320
    assert max(times) < epoch_s("2026-03-02T06:00:00Z")
    assert len({request.id for request in floor.of(Request)}) == len(floor.of(Request))
    assert floor.alerts("request-refused")[:1] == ["UNACK"]
    overdue = [a for a in floor.said if a.record == "alert" and a.name == "check-overdue"]
    assert (overdue[0].state, overdue[0].priority) == ("UNACK", "high")
    assert overdue[0].at == "2026-03-02T06:00:00.000Z"
    assert "busy: a job is running" in overdue[0].text
    assert "upper" in overdue[0].text
    assert "lower" in overdue[0].text


def test_a_refusal_that_will_not_pass_is_not_asked_again(floor):
    floor.refuses = "unknown setup"
    floor.run("2026-03-02T08:00:00Z")
    assert Counter(request.gun for request in floor.of(Request)) == {"upper": 1, "lower": 1}
    assert floor.alerts("check-overdue") == ["UNACK"]


def test_ready_again_is_asked_at_once_even_after_the_start(floor):
    floor.refuses = "not ready"
    floor.run("2026-03-02T06:20:00Z")
    asked_before = len(floor.of(Request))
    floor.refuses = None
    floor.event("cell_ready", ready=True)
    floor.run("2026-03-02T06:40:00Z")
    assert len(floor.of(Request)) == asked_before + 2
    assert floor.last(Release).state == "released"
    assert floor.alerts("check-overdue") == ["UNACK", "UNACK", "RTNUN"]


def test_a_silent_controller_is_named_and_the_check_overdue(floor):
    floor.answers = False
    floor.run("2026-03-02T06:10:00Z")
    assert floor.alerts("controller-silent") == ["UNACK"]
    assert floor.alerts("check-overdue") == ["UNACK"]
    overdue = next(a for a in floor.said if a.record == "alert" and a.name == "check-overdue")
    assert "did not answer" in overdue.text
    floor.answers = True
    floor.event("cell_ready", ready=True)
    assert floor.alerts("controller-silent") == ["UNACK", "RTNUN"]


def test_a_check_that_its_needle_outdated_is_not_said_to_have_had_no_result(floor):
    floor.flows["lower"] = 80.0
    floor.run("2026-03-02T05:59:30Z")
    floor.event("needle_set", gun="lower", setting=5.0)
    floor.pass_time(90.0)
    overdue = next(a for a in floor.said if a.record == "alert" and a.name == "check-overdue")
    assert "lower (its check has no result that holds now)" in overdue.text


def watched_before(floor) -> None:
    """The agent ran the evening before, and its journal tells so."""
    floor.now_s = epoch_s("2026-03-01T20:00:00Z")
    floor.event("cell_ready", ready=True)


def test_missed_while_down_is_asked_at_once_in_the_first_hours(floor):
    watched_before(floor)
    floor.skip_to("2026-03-02T08:00:00Z")
    floor.restart()
    floor.answers = False
    floor.run("2026-03-02T08:00:30Z")
    assert floor.of(Request)[0].at == "2026-03-02T08:00:30.000Z"
    assert floor.alerts("check-overdue") == ["UNACK"]
    floor.answers = True
    floor.serve(floor.last(Request))
    floor.run("2026-03-02T08:20:00Z")
    assert floor.alerts("check-overdue") == ["UNACK", "UNACK", "RTNUN"]
    assert len(floor.of(Check)) == 2


def test_missed_by_half_a_day_is_overdue_and_asked_no_more(floor):
    watched_before(floor)
    floor.skip_to("2026-03-02T12:00:00Z")
    floor.restart()
    floor.run("2026-03-02T13:00:00Z")
    assert floor.of(Request) == []
    assert floor.alerts("check-overdue") == ["UNACK"]
    floor.run("2026-03-02T18:30:00Z")
    assert floor.alerts("check-overdue") == ["UNACK", "RTNUN"]


def test_an_agent_that_just_came_calls_nobody_for_a_start_it_did_not_see(floor):
    floor.answers = False
    floor.skip_to("2026-03-02T08:00:00Z")
    floor.restart()
    floor.event("setup_loaded", setup="impeller-barrier")
    floor.run("2026-03-02T09:00:00Z")
    assert floor.alerts("check-overdue") == []
    assert {reason.code for reason in floor.last(Release).reasons} == {"check_missing"}
    assert floor.desk.status().shift.state != "overdue"
    floor.restart()
    floor.run("2026-03-02T10:00:00Z")
    assert floor.alerts("check-overdue") == []
    floor.run("2026-03-03T06:10:00Z")
    assert floor.alerts("check-overdue") == ["UNACK"]


@pytest.mark.parametrize("restarts", [False, True])
def test_a_refusal_for_good_stands_over_a_restart(floor, restarts):
    floor.refuses = "unknown setup"
    floor.run("2026-03-02T05:40:00Z")
    for _ in range(20):
        if restarts:
            floor.restart()
        floor.run(floor.now_s + 60)
    assert Counter(request.gun for request in floor.of(Request)) == {"upper": 1, "lower": 1}
    assert floor.alerts("request-refused")[:1] == ["UNACK"]
    assert "RTNUN" not in floor.alerts("request-refused")


def test_pauses_of_a_busy_controller_are_the_same_with_restarts(floor_of):
    def times(restart_every_s: float | None) -> list[str]:
        floor = floor_of(start="2026-03-02T05:25:00Z")
        floor.refuses = "busy"
        while floor.now_s < epoch_s("2026-03-02T06:30:00Z"):
            floor.run(floor.now_s + 60, step_s=5.0)
            if restart_every_s is not None:
                floor.restart()
        return [f"{request.gun} {request.at}" for request in floor.of(Request)]

    whole = times(None)
    assert len(whole) > 6
    assert times(60.0) == whole


def test_a_turn_that_was_followed_by_its_request_asks_no_second_time_after_a_restart(floor):
    floor.flows["lower"] = 88.0
    floor.run("2026-03-02T05:45:00Z")
    floor.event("needle_set", gun="lower", setting=5.4)
    floor.runs = False
    floor.run("2026-03-02T05:48:00Z")
    asked_before = len(floor.of(Request))
    floor.restart()
    floor.run("2026-03-02T05:50:00Z")
    assert len(floor.of(Request)) == asked_before
    assert floor.desk.status().guns[1].asked


def test_power_cut_in_the_middle_of_the_run_goes_on_with_what_is_missing(floor):
    floor.run("2026-03-02T05:29:30Z")
    floor.answers = False
    floor.run("2026-03-02T05:30:30Z")
    floor.check("upper")
    assert len(floor.of(Check)) == 1
    floor.answers = True
    floor.skip_to("2026-03-02T06:05:00Z")
    floor.restart()
    floor.run("2026-03-02T06:20:00Z")
    assert Counter(check.gun for check in floor.of(Check)) == {"upper": 1, "lower": 1}
    assert floor.last(Release).state == "released"


def test_checks_made_in_the_lead_window_by_hand_need_no_request(floor):
    floor.answers = False
    floor.run("2026-03-02T05:29:00Z")
    floor.event("check_started", gun="upper", setup="impeller-barrier")
    for _ in range(3):
        floor.shoot("upper")
    floor.check("lower")
    floor.run("2026-03-02T07:00:00Z")
    assert floor.of(Request) == []
    assert floor.alerts("check-overdue") == []


def test_yesterdays_check_does_not_count(floor):
    floor.run("2026-03-03T06:00:00Z", step_s=60.0)
    assert len(floor.of(Check)) == 4


def test_without_requests_it_waits_for_the_evidence_and_raises_the_same_alarm(floor_of, cell_of):
    floor = floor_of(cell_of(takes_requests=False), start="2026-03-02T05:00:00Z")
    floor.run("2026-03-02T06:10:00Z")
    assert floor.of(Request) == []
    alert = next(a for a in floor.said if a.record == "alert")
    assert (alert.name, alert.at) == ("check-overdue", "2026-03-02T06:00:00.000Z")
    assert "no check was seen" in alert.text
    floor.check("upper")
    floor.restart()
    floor.pass_time(10)
    alert = floor.last(Alert)
    assert (alert.name, alert.state, alert.since) == ("check-overdue", "UNACK", "2026-03-02T06:00:00.000Z")
    assert alert.text.endswith("of: lower (no check was seen)")
    floor.check("lower")
    floor.run("2026-03-02T06:20:00Z")
    assert floor.alerts("check-overdue") == ["UNACK", "UNACK", "RTNUN"]


def test_a_needle_turned_after_a_failed_check_is_checked_again_and_the_other_gun_is_not(floor):
    floor.flows["lower"] = 88.0
    floor.run("2026-03-02T05:45:00Z")
    assert floor.last(Release).state == "held"
    assert len(floor.of(Request)) == 2
    floor.flows["lower"] = 96.2
    floor.event("needle_set", gun="lower", setting=5.4)
    turned_s = floor.now_s
    floor.run("2026-03-02T05:55:00Z")
    assert [request.gun for request in floor.of(Request)] == ["upper", "lower", "lower"]
    assert epoch_s(floor.last(Request).at) >= turned_s + 30
    assert floor.last(Release).state == "released"
    # The shift has what it needs: a later turn holds the job, but nobody is asked in the middle of it.
    floor.run("2026-03-02T07:00:00Z")
    floor.event("needle_set", gun="lower", setting=5.5)
    floor.run("2026-03-02T09:00:00Z")
    assert len(floor.of(Request)) == 3
    assert floor.last(Release).state == "held"
    assert floor.last(Release).reasons[0].code == "needle_changed"


def test_a_clock_never_set_or_a_century_off_asks_for_nothing_and_stays_small(floor):
    for now_s in (10.0, 1e9 * 7, 10.0, epoch_s("2026-03-02T05:00:00Z")):
        floor.hear(floor.desk.passed(now_s))
    assert floor.of(Request) == []
    floor.skip_to("2026-03-02T05:00:00Z")
    floor.run("2026-03-02T06:00:00Z")
    assert floor.last(Release).state == "released"
    assert set(asked(floor).values()) == {1}


def test_a_clock_set_back_over_the_start_asks_no_second_time(floor):
    floor.run("2026-03-02T06:10:00Z")
    floor.skip_to("2026-03-02T05:20:00Z")
    floor.run("2026-03-02T06:30:00Z")
    assert len(floor.of(Request)) == 2
    assert len(floor.of(Check)) == 2


def test_two_shifts_that_overlap_share_one_check(floor_of, cell_of):
    shifts = (
        Shift("early", ALL_DAYS, "06:00", 30.0, "impeller-barrier"),
        Shift("office", ALL_DAYS, "06:15", 45.0, "impeller-barrier"),
    )
    floor = floor_of(cell_of(shifts=shifts), start="2026-03-02T05:00:00Z")
    floor.run("2026-03-02T07:00:00Z")
    assert len(floor.of(Check)) == 2
    assert floor.alerts("check-overdue") == []


def test_two_shifts_at_once_with_setups_of_their_own_are_checked_one_after_the_other(floor_of, cell_of):
    shifts = (
        Shift("barrier", ALL_DAYS, "06:00", 30.0, "impeller-barrier"),
        Shift("primer", ALL_DAYS, "06:00", 30.0, "flange-primer"),
    )
    floor = floor_of(cell_of(shifts=shifts), start="2026-03-02T05:00:00Z")
    floor.run("2026-03-02T06:30:00Z")
    assert Counter((r.gun, r.setup) for r in floor.of(Request) if "shift" in r.why) == {
        ("upper", "impeller-barrier"): 1,
        ("lower", "impeller-barrier"): 1,
        ("upper", "flange-primer"): 1,
        ("lower", "flange-primer"): 1,
    }
    assert floor.alerts("check-overdue") == []


def test_four_guns_on_two_scales_are_done_before_the_shift(floor_of, cell_of):
    from agent.contract.plan import Gun, Scale

    cell = cell_of(
        scales=(Scale("left", 0.1, 6100.0), Scale("right", 0.1, 6100.0)),
        guns=tuple(Gun(f"g{n}", "left" if n % 2 else "right") for n in range(4)),
    )
    floor = floor_of(cell, start="2026-03-02T05:00:00Z")
    floor.run("2026-03-02T06:00:00Z")
    assert floor.last(Release).state == "released"
    assert len({check.gun for check in floor.of(Check)}) == 4
    assert floor.alerts("check-overdue") == []


def test_answers_that_come_twice_late_or_to_nobody_change_nothing(floor):
    floor.run("2026-03-02T05:40:00Z")
    before = len(floor.said)
    for request in floor.of(Request):
        floor.hear(floor.desk.reply(Reply("north", floor.now_s, request.id, False, "busy")))
        assert floor.desk.objection(Reply("north", floor.now_s, request.id, True)) is None
    strange = Reply("north", floor.now_s, "request-of-nobody", True)
    floor.hear(floor.desk.reply(strange))
    assert len(floor.said) == before
    assert "'request-of-nobody'" in (floor.desk.objection(strange) or "")


def test_an_unknown_zone_is_refused_at_the_beginning(floor):
    from zoneinfo import ZoneInfoNotFoundError

    from agent.assessment.desk import Desk

    plan = Plan("bench", "plant", "Europe/Atlantis", (floor.cell,), floor.plan.setups, ())
    with pytest.raises(ZoneInfoNotFoundError):
        Desk(floor.cell, plan)


def test_status_tells_the_next_shift(floor):
    floor.run("2026-03-02T05:00:00Z")
    shift = floor.desk.status().shift
    assert (shift.shift, shift.state, shift.starts_at) == ("early", "waiting", "2026-03-02T06:00:00.000Z")
    floor.answers = False
    floor.run("2026-03-02T05:30:30Z")
    assert floor.desk.status().shift.state == "asked"
    floor.answers = True
    floor.run("2026-03-02T05:59:00Z")
    assert floor.desk.status().shift.state == "done"


def test_what_is_not_asked_for_any_more_is_not_said_to_be_due(floor):
    """The agent starts five hours into the shift."""
    floor.skip_to("2026-03-02T11:00:00Z")
    floor.run("2026-03-02T11:10:00Z")
    assert floor.of(Request) == []
    assert floor.desk.status().shift.state == "unasked"
    floor.check("upper")
    floor.check("lower")
    assert floor.desk.status().shift.state == "done"


def test_a_late_check_is_due_until_it_is_asked_for_and_refused_for_good(floor):
    """The agent starts two hours into the shift."""
    floor.skip_to("2026-03-02T08:00:00Z")
    floor.event("scale_zeroed", scale="floor")
    assert floor.desk.status().shift.state == "asked"
    floor.refuses = "unknown setup"
    floor.run("2026-03-02T08:10:00Z")
    assert len(floor.of(Request)) == 2
    assert floor.desk.status().shift.state == "unasked"


def test_where_nobody_is_asked_a_check_stays_due(floor_of, cell_of):
    floor = floor_of(cell_of(takes_requests=False), start="2026-03-02T11:00:00Z")
    floor.run("2026-03-02T11:10:00Z")
    assert floor.desk.status().shift.state == "due"
