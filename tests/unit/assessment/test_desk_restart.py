"""A restart anywhere gives the same results as no restart."""

from __future__ import annotations

import random

import pytest

from agent.assessment.desk import Conditions
from agent.contract.inputs import AlarmCommand
from agent.contract.reading_back import record_of
from agent.contract.record_json import payload
from agent.contract.records import Advice, Alert, Balance, Check, Release, Request, Wear
from agent.contract.times import epoch_s


def play(floor, restart_at: frozenset[int]) -> None:
    """Two days: a gun off balance, corrected; a nozzle changed; a shelved alarm."""
    steps = [
        lambda: floor.event("needle_set", gun="lower", setting=5.0),
        lambda: floor.run("2026-03-02T05:29:00Z"),
        lambda: floor.run("2026-03-02T06:00:00Z"),
        lambda: floor.hear(
            floor.desk.alarm_command(
                AlarmCommand("north", floor.now_s, "flow-off-target-lower", "shelve", "setter", 30.0)
            )
        ),
        lambda: floor.flows.update(lower=96.3),
        lambda: floor.event("needle_set", gun="lower", setting=5.35),
        lambda: floor.run("2026-03-02T07:00:00Z"),
        lambda: floor.event("setup_loaded", setup="impeller-barrier"),
        lambda: floor.run("2026-03-02T16:00:00Z"),
        lambda: floor.event("part_changed", gun="upper", part="nozzle"),
        lambda: floor.run("2026-03-03T05:00:00Z"),
        lambda: floor.run("2026-03-03T07:00:00Z"),
    ]
    for number, step in enumerate(steps):
        step()
        if number in restart_at:
            # Through the journal's JSON, as it really comes back.
            floor.said = [record_of(payload(record)) for record in floor.said]
            floor.restart()


def ids(floor) -> list[str]:
    return [record.id for record in floor.said]


def make(floor_of):
    floor = floor_of()
    floor.flows["lower"] = 88.5
    return floor


@pytest.mark.parametrize("step", range(12))
def test_restart_after_any_step_changes_nothing_that_is_said(floor_of, step):
    whole, broken = make(floor_of), make(floor_of)
    play(whole, frozenset())
    play(broken, frozenset({step}))
    assert broken.desk.status().state == whole.desk.status().state == "released"
    for kind in (Check, Balance, Release, Request, Wear, Alert):
        seen = [(r.id if kind is not Wear else (r.at, r.gun, r.checks)) for r in broken.of(kind)]
        meant = [(r.id if kind is not Wear else (r.at, r.gun, r.checks)) for r in whole.of(kind)]
        assert seen == meant, kind


def test_restarts_at_random_moments_of_a_week(floor_of):
    rng = random.Random(7)
    whole, broken = floor_of(seed=5), floor_of(seed=5)
    whole.run("2026-03-07T00:00:00Z", step_s=60.0)
    while broken.now_s < whole.now_s:
        broken.run(min(broken.now_s + 60.0 * rng.randint(1, 600), whole.now_s), step_s=60.0)
        broken.restart()
    assert [c.id for c in broken.of(Check)] == [c.id for c in whole.of(Check)]
    assert [r.id for r in broken.of(Request)] == [r.id for r in whole.of(Request)]
    assert broken.alerts("check-overdue") == []


def test_shots_before_a_crash_count_in_the_check_after_it(floor_of, cell_of):
    floor = floor_of(cell_of(shifts=()), start="2026-03-02T12:00:00Z")
    floor.event("check_started", gun="upper", setup="impeller-barrier")
    check_id = floor.events[-1].event_id
    for _ in range(2):
        floor.pass_time(35)
        dispense = floor.make("upper", check_id=check_id)
        floor.said += [dispense, *floor.desk.dispense(dispense)]
    floor.restart()
    floor.shoot("upper", check_id=check_id)
    (check,) = floor.of(Check)
    assert (len(check.shots), check.verdict) == (3, "pass")


@pytest.mark.parametrize("answer", [True, False, None])
def test_a_request_for_more_shots_goes_on_after_a_restart(floor_of, cell_of, answer):
    def play(restarts: bool):
        floor = floor_of(cell_of(shifts=()), start="2026-03-02T12:00:00Z")
        told(floor, "check_started")
        for flow in (96.0, 96.1, 99.5):
            shot(floor, flow)
        told(floor, "check_ended")
        floor.pass_time(10)
        (request,) = floor.of(Request)
        if restarts:
            floor.restart()
        if answer is not None:
            floor.reply(request, answer, "door open")
        if restarts:
            floor.restart()
        if answer:
            told(floor, "check_started")
            shot(floor, 96.2)
            if restarts:
                floor.restart()
            shot(floor, 95.9)
            told(floor, "check_ended")
        floor.pass_time(2400)
        return floor

    whole, broken = play(False), play(True)
    assert [check.id for check in broken.of(Check)] == [check.id for check in whole.of(Check)]
    assert [request.id for request in broken.of(Request)] == [request.id for request in whole.of(Request)]
    assert len(whole.of(Check)) == 1
    assert whole.last(Check).verdict == ("pass" if answer else "inconclusive")


def told(floor, event: str) -> None:
    floor.event(event, gun="upper", setup="impeller-barrier")


def shot(floor, flow: float) -> None:
    floor.pass_time(35)
    started = [event.event_id for event in floor.events if event.event == "check_started"]
    dispense = floor.make("upper", flow, check_id=started[-1])
    floor.said.append(dispense)
    floor.hear(floor.desk.dispense(dispense))


def test_more_shots_that_waited_for_the_scale_are_asked_for_after_a_restart(floor_of, cell_of):
    floor = floor_of(cell_of(shifts=()), start="2026-03-02T12:00:00Z")
    told(floor, "check_started")
    floor.event("check_started", gun="lower", setup="impeller-barrier")
    for flow in (96.0, 96.1, 99.5):
        shot_of_upper(floor, flow)
    told(floor, "check_ended")
    assert floor.of(Request) == []
    floor.restart()
    assert floor.desk.status().guns[0].running
    floor.event("check_ended", gun="lower")
    floor.pass_time(120)
    (request,) = floor.of(Request)
    assert (request.gun, request.shots) == ("upper", 2)


def shot_of_upper(floor, flow: float) -> None:
    first = next(event.event_id for event in floor.events if event.gun == "upper")
    floor.pass_time(35)
    dispense = floor.make("upper", flow, check_id=first)
    floor.said.append(dispense)
    floor.hear(floor.desk.dispense(dispense))


def test_a_check_is_running_until_its_result_is_given(floor_of, cell_of):
    floor = floor_of(cell_of(shifts=()), start="2026-03-02T12:00:00Z")
    told(floor, "check_started")
    shot(floor, 96.0)
    assert floor.desk.status().guns[0].running
    floor.restart()
    assert floor.desk.status().guns[0].running
    shot(floor, 96.1)
    shot(floor, 96.2)
    assert len(floor.of(Check)) == 1
    assert not floor.desk.status().guns[0].running
    told(floor, "check_ended")
    floor.restart()
    assert not floor.desk.status().guns[0].running


def test_nothing_is_said_twice_when_every_dispense_is_in_the_journal(floor_of, cell_of):
    floor = floor_of(cell_of(shifts=()), start="2026-03-02T12:00:00Z")
    for gun in ("upper", "lower"):
        for _ in range(3):
            floor.pass_time(35)
            dispense = floor.make(gun)
            floor.said += [dispense, *floor.desk.dispense(dispense)]
    before = ids(floor)
    floor.restart()
    floor.pass_time(7200)
    assert ids(floor) == before


def test_a_fresh_journal_is_no_fault(floor):
    floor.desk.restore([], [])
    floor.run("2026-03-02T06:00:00Z")
    assert floor.last(Release).state == "released"


def test_advice_that_was_open_is_closed_after_a_restart(floor_of, cell_of):
    floor = floor_of(cell_of(shifts=()), start="2026-03-02T12:00:00Z")
    floor.check("upper")
    floor.flows["lower"] = 88.0
    floor.check("lower")
    assert floor.last(Advice).change > 0
    floor.restart()
    floor.flows["lower"] = 96.0
    floor.check("lower")
    assert floor.last(Advice).change == 0


def test_an_alarm_that_ended_does_not_come_back_because_the_clock_had_run_ahead(floor_of, cell_of):
    """The clock is an hour ahead when the alarm comes, and is set right before it ends."""
    floor = floor_of(cell_of(shifts=()), start="2026-03-02T13:00:00Z")
    silent, speaks = ({"floor": False}, {"floor": True})
    floor.hear(floor.desk.conditions(Conditions(floor.now_s, scales=silent)))
    floor.now_s -= 3600
    floor.desk.clock_set(-3600.0)
    floor.hear(floor.desk.conditions(Conditions(floor.now_s + 60, scales=speaks)))
    floor.pass_time(120)
    assert floor.alerts("scale-silent-floor") == ["UNACK", "RTNUN"]
    ended = floor.last(Alert)
    floor.restart()
    (standing,) = floor.desk.status().alarms
    assert (standing.name, standing.state, standing.active) == ("scale-silent-floor", "RTNUN", False)
    assert epoch_s(floor.of(Alert)[0].at) > epoch_s(ended.at)
    floor.hear(floor.desk.alarm_command(pressed(floor, "scale-silent-floor")))
    floor.restart()
    assert floor.desk.status().alarms == ()


def pressed(floor, name: str) -> AlarmCommand:
    return AlarmCommand("north", floor.now_s, name, "acknowledge", "setter")


def test_the_newest_wear_and_release_are_the_last_of_the_journal(floor_of, cell_of):
    floor = floor_of(cell_of(shifts=()), start="2026-03-02T13:00:00Z")
    floor.check("upper")
    floor.now_s -= 3600
    floor.desk.clock_set(-3600.0)
    floor.event("part_changed", gun="upper", part="nozzle")
    floor.pass_time(10)
    told = floor.last(Release)
    floor.restart()
    assert floor.desk._state.results._wears["upper"] == floor.last(Wear)
    assert floor.last(Wear).checks == 0
    assert floor.desk._state.release.reasons == told.reasons
