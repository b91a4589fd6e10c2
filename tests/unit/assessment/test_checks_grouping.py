"""Which shots belong together, and what a check says of them."""

from __future__ import annotations

from dataclasses import replace

import pytest

from agent.contract.inputs import Reply
from agent.contract.records import Check, Dispense, Release, Request
from agent.contract.times import epoch_s, rfc3339


@pytest.fixture
def quiet(floor_of, cell_of):
    """A cell that asks for nothing, at noon."""
    return floor_of(cell_of(shifts=(), takes_requests=False), start="2026-03-02T12:00:00Z")


@pytest.fixture
def asking(floor_of, cell_of):
    return floor_of(cell_of(shifts=()), start="2026-03-02T12:00:00Z")


def test_three_shots_that_follow_each_other_are_a_check(quiet):
    for flow in (95.8, 96.0, 96.3):
        quiet.shoot("upper", flow)
    (check,) = quiet.of(Check)
    assert [shot.flow_g_per_min for shot in check.shots] == [95.8, 96.0, 96.3]
    assert check.mean_g_per_min == pytest.approx(96.0333, abs=1e-4)
    assert check.sd_g_per_min == pytest.approx(0.251661, abs=1e-6)
    assert check.repeatability_pct == pytest.approx(0.262056, abs=1e-5)
    assert check.verdict == "pass"
    assert check.at == check.ended_at == rfc3339(quiet.now_s)


def test_given_with_the_last_shot_it_needs_and_once(quiet):
    quiet.event("check_started", gun="upper", setup="impeller-barrier")
    for _ in range(3):
        quiet.shoot("upper")
    assert len(quiet.of(Check)) == 1
    quiet.event("check_ended", gun="upper", setup="impeller-barrier")
    quiet.pass_time(3600)
    assert len(quiet.of(Check)) == 1


def test_more_shots_than_needed_make_a_new_check_at_its_end(quiet):
    quiet.event("check_started", gun="upper", setup="impeller-barrier")
    for _ in range(5):
        quiet.shoot("upper")
    quiet.event("check_ended", gun="upper", setup="impeller-barrier")
    quiet.pass_time(120)
    first, second = quiet.of(Check)
    assert (len(first.shots), len(second.shots)) == (3, 5)
    assert first.id != second.id


def test_a_late_result_of_a_shot_before_the_end_still_counts(quiet):
    quiet.event("check_started", gun="upper", setup="impeller-barrier")
    quiet.shoot("upper")
    quiet.shoot("upper")
    quiet.pass_time(35)
    late = quiet.make("upper")
    quiet.pass_time(2)
    quiet.event("check_ended", gun="upper", setup="impeller-barrier")
    quiet.pass_time(8)
    quiet.hear(quiet.desk.dispense(late))
    (check,) = quiet.of(Check)
    assert len(check.shots) == 3


def test_the_other_gun_has_its_own_check(quiet):
    for _ in range(3):
        quiet.shoot("upper")
        quiet.shoot("lower")
    assert [check.gun for check in quiet.of(Check)] == ["upper", "lower"]


def test_a_long_pause_ends_a_check_and_few_shots_give_no_result(quiet):
    quiet.shoot("upper")
    quiet.shoot("upper")
    quiet.pass_time(900)
    (check,) = quiet.of(Check)
    assert check.verdict == "inconclusive"
    assert check.reason.startswith("2 of 3 shots")
    assert epoch_s(check.at) <= quiet.now_s - 200
    quiet.shoot("upper")
    assert len(quiet.of(Check)) == 1


def test_a_turned_needle_ends_a_check(quiet):
    quiet.shoot("upper")
    quiet.shoot("upper")
    quiet.event("needle_set", gun="upper", setting=5.0)
    quiet.shoot("upper")
    quiet.shoot("upper")
    assert [len(check.shots) for check in quiet.of(Check)] == [2]
    quiet.shoot("upper")
    last = quiet.last(Check)
    assert (len(last.shots), last.needle_setting, last.verdict) == (3, 5.0, "pass")


def test_a_shot_of_another_length_is_no_shot_of_its_setup(quiet):
    quiet.event("check_started", gun="upper", setup="impeller-barrier")
    quiet.shoot("upper", open_s=5.0)
    for _ in range(3):
        quiet.shoot("upper")
    (check,) = quiet.of(Check)
    assert len(check.shots) == 3
    assert "open for 5.0 s" in check.left_out[0].why


def left_out_of(check):
    return [left.why for left in check.left_out]


@pytest.mark.parametrize(
    "members", [{"open_s": 9.0}, {"quality": "rejected", "why_rejected": "it was moved"}]
)
def test_what_could_be_no_shot_is_left_out_of_the_check_it_came_before(quiet, members):
    quiet.shoot("upper", **members)
    for _ in range(3):
        quiet.shoot("upper")
    (check,) = quiet.of(Check)
    assert len(check.shots) == 3
    (why,) = left_out_of(check)
    assert "open for 9.0 s" in why or "it was moved" in why


@pytest.mark.parametrize("odd", [0, 2])
def test_a_dispense_of_no_told_setup_and_another_length_is_left_out_of_the_check_it_came_in(quiet, odd):
    quiet.event("setup_loaded", setup="impeller-barrier")
    for number in range(4):
        quiet.shoot("upper", setup=None, open_s=15.0 if number == odd else 20.0)
    (check,) = quiet.of(Check)
    assert len(check.shots) == 3
    assert left_out_of(check) == ["it was open for 15.0 s; a shot of this setup takes 20 s"]


@pytest.mark.parametrize("apart", ["turned", "long ago", "started", "other gun"])
def test_what_came_before_another_check_is_not_left_out_of_this_one(quiet, apart):
    quiet.shoot("lower" if apart == "other gun" else "upper", open_s=9.0)
    if apart == "turned":
        quiet.event("needle_set", gun="upper", setting=2.0)
    elif apart == "started":
        quiet.event("check_started", gun="upper", setup="impeller-barrier")
    elif apart == "long ago":
        quiet.pass_time(660)
    for _ in range(3):
        quiet.shoot("upper")
    assert left_out_of(quiet.last(Check)) == []


def test_after_a_restart_what_waited_for_its_check_is_still_left_out_of_it(quiet):
    for number, open_s in enumerate((9.0, 20.0, 20.0, 20.0)):
        quiet.pass_time(35)
        dispense = quiet.make("upper", open_s=open_s)
        quiet.hear([dispense, *quiet.desk.dispense(dispense)])
        if number in (0, 1, 3):
            quiet.restart()
    (check,) = quiet.of(Check)
    assert (len(check.shots), len(check.left_out)) == (3, 1)
    quiet.pass_time(900)
    assert quiet.of(Check) == [check]


@pytest.mark.parametrize(
    "members",
    [
        {"purpose": "bleed"},
        {"purpose": "job"},
        {"flags": ("unattributed",)},
        {"setup": "not-configured"},
        {"open_s": 3.0},
        {"quality": "rejected", "flags": ("scale_overload",)},
    ],
)
def test_what_begins_no_check(quiet, members):
    for _ in range(4):
        quiet.shoot("upper", **members)
    quiet.pass_time(3600)
    assert quiet.of(Check) == []


def test_a_dispense_of_nobody_knows_which_gun_begins_no_check(quiet):
    for _ in range(4):
        quiet.pass_time(35)
        quiet.hear(quiet.desk.dispense(replace(quiet.make("upper"), gun=None)))
    quiet.pass_time(3600)
    assert quiet.of(Check) == []


def test_a_rejected_shot_never_enters_and_is_named(asking):
    asking.event("check_started", gun="upper", setup="impeller-barrier")
    asking.shoot("upper")
    asking.shoot("upper", flow=50.0, quality="rejected", why_rejected="the container was moved")
    asking.shoot("upper")
    asking.event("check_ended", gun="upper", setup="impeller-barrier")
    asking.pass_time(70)
    request = asking.last(Request)
    assert (request.shots, request.gun) == (1, "upper")
    assert "2 of 3" in request.why
    asking.check("upper", shots=1)
    (check,) = asking.of(Check)
    assert len(check.shots) == 3
    assert check.left_out[0].why == "the container was moved"


def test_the_same_dispense_twice_counts_once(quiet):
    quiet.pass_time(60)
    one = quiet.make("upper")
    for _ in range(5):
        quiet.hear(quiet.desk.dispense(one))
    quiet.shoot("upper")
    assert quiet.of(Check) == []
    quiet.shoot("upper")
    assert len(quiet.last(Check).shots) == 3


def test_shots_that_disagree_ask_for_two_more_and_then_decide(asking):
    asking.check("upper", flows=[96.0, 96.1, 99.5])
    assert asking.of(Check) == []
    (request,) = asking.of(Request)
    assert (request.shots, request.setup) == (2, "impeller-barrier")
    assert "disagree" in request.why
    asking.hear(asking.desk.reply(Reply("north", asking.now_s, request.id, True)))
    asking.check("upper", flows=[96.2, 95.9])
    (check,) = asking.of(Check)
    assert check.verdict == "pass"
    assert len(check.shots) == 4
    assert "Grubbs" in check.left_out[0].why
    asking.pass_time(4000)
    assert len(asking.of(Check)) == 1
    assert len(asking.of(Request)) == 1


def test_shots_that_go_on_disagreeing_are_inconclusive_and_say_why(asking):
    asking.check("upper", flows=[92.0, 96.0, 100.0])
    asking.check("upper", flows=[98.0, 94.0])
    (check,) = asking.of(Check)
    assert check.verdict == "inconclusive"
    assert "disagree" in check.reason
    assert asking.alerts("check-inconclusive-upper") == ["UNACK"]
    asking.check("upper")
    assert asking.last(Check).verdict == "pass"
    assert asking.alerts("check-inconclusive-upper") == ["UNACK", "RTNUN"]


def test_a_whole_check_in_answer_to_a_request_for_more_shots_is_a_check_of_its_own(asking):
    asking.check("upper", flows=[96.0, 96.1, 99.5])
    (request,) = asking.of(Request)
    asking.reply(request, True)
    asking.check("upper", flows=[98.0, 98.1, 97.9])
    asking.pass_time(900)
    mended, own = asking.of(Check)
    assert len(mended.shots) + len(mended.left_out) == 5
    assert [shot.flow_g_per_min for shot in own.shots] == [98.0, 98.1, 97.9]
    assert own.verdict == "pass"
    assert asking.alerts("check-inconclusive-upper") in ([], ["UNACK", "RTNUN"])


def test_a_second_check_that_was_not_asked_for_leaves_the_first_one_alone(asking):
    """The other gun holds the scale, so the extra shots were not asked for yet when the next check begins."""
    asking.event("check_started", gun="lower", setup="impeller-barrier")
    asking.check("upper", flows=[96.0, 96.1, 99.5])
    assert asking.of(Request) == []
    asking.check("upper", flows=[96.2, 96.3, 96.1])
    first, second = asking.of(Check)
    assert (first.verdict, len(first.shots)) == ("inconclusive", 3)
    assert [shot.flow_g_per_min for shot in second.shots] == [96.2, 96.3, 96.1]
    assert second.verdict == "pass"


def test_refused_more_shots_are_inconclusive_at_once(asking):
    asking.check("upper", flows=[96.0, 96.1, 99.5])
    (request,) = asking.of(Request)
    asking.hear(asking.desk.reply(Reply("north", asking.now_s, request.id, False, "door open")))
    (check,) = asking.of(Check)
    assert (check.verdict, len(check.shots)) == ("inconclusive", 3)


def test_unanswered_more_shots_are_inconclusive_when_the_request_runs_out(asking):
    asking.check("upper", flows=[96.0, 96.1, 99.5])
    (request,) = asking.of(Request)
    asking.pass_time(2000)
    (check,) = asking.of(Check)
    assert check.verdict == "inconclusive"
    assert check.at == request.expires


def test_without_requests_disagreeing_shots_are_told_and_more_may_come(quiet):
    for flow in (96.0, 96.1, 99.5):
        quiet.shoot("upper", flow)
    assert quiet.last(Check).verdict == "inconclusive"
    quiet.shoot("upper", 96.2)
    quiet.shoot("upper", 95.9)
    assert quiet.last(Check).verdict == "pass"
    assert len(quiet.last(Check).shots) == 4


def test_pressure_is_brought_to_the_setpoint_by_the_square_root(quiet):
    """Orifice law, m ~ sqrt(p): 0.45 bar for 0.5 bar gives 0.94868 of the flow (common practice)."""
    quiet.pressure_bar = 0.45
    quiet.sd_rel = 0.0
    for _ in range(3):
        quiet.shoot("upper")
    check = quiet.last(Check)
    assert check.mean_g_per_min == pytest.approx(96.0 * 0.948683, rel=1e-6)
    assert check.at_setpoint_g_per_min == pytest.approx(96.0, rel=1e-6)
    assert check.verdict == "pass"


def test_a_pressure_too_far_off_gives_no_result(quiet):
    quiet.pressure_bar = 0.25
    for _ in range(3):
        quiet.shoot("upper")
    check = quiet.last(Check)
    assert (check.verdict, check.at_setpoint_g_per_min, check.deviation_pct) == ("inconclusive", None, None)
    assert "0.25" in check.reason


def test_a_controller_check_without_any_shot_has_no_result(quiet):
    quiet.event("check_started", gun="upper", setup="impeller-barrier")
    quiet.event("check_ended", gun="upper", setup="impeller-barrier")
    quiet.pass_time(200)
    (check,) = quiet.of(Check)
    assert (check.verdict, check.mean_g_per_min, check.shots) == ("inconclusive", None, ())


def test_a_request_answered_by_shots_alone_is_a_check_that_was_meant(floor_of, cell_of):
    floor = floor_of(cell_of(), start="2026-03-02T05:29:00Z")
    floor.answers = False
    floor.run("2026-03-02T05:30:30Z")
    floor.shoot("upper", purpose="bleed", open_s=8.0)
    floor.shoot("upper")
    floor.pass_time(900)
    assert floor.last(Check).reason.startswith("1 of 3")
    assert floor.alerts("check-inconclusive-upper") == ["UNACK"]
    assert floor.alerts("controller-silent") == []


def test_few_shots_do_not_replace_an_earlier_result(quiet):
    for gun in ("upper", "lower"):
        for _ in range(3):
            quiet.shoot(gun)
    assert quiet.last(Release).state == "released"
    quiet.shoot("upper", 80.0)
    quiet.pass_time(1200)
    assert quiet.last(Check).verdict == "inconclusive"
    assert quiet.last(Release).state == "released"


def test_setup_is_found_where_nobody_names_it(floor_of, cell_of):
    floor = floor_of(cell_of(takes_requests=False, has_controller=False), start="2026-03-02T05:35:00Z")
    for _ in range(3):
        floor.shoot("upper", setup=None)
    assert floor.last(Check).setup == "impeller-barrier"


def test_ids_depend_on_what_happened_alone(floor_of, cell_of):
    def ids() -> list[str]:
        floor = floor_of(cell_of(shifts=()), start="2026-03-02T12:00:00Z")
        floor.check("upper")
        floor.check("lower", flows=[90.0, 90.1, 90.2])
        return [record.id for record in floor.said]

    assert ids() == ids()
    assert len(set(ids())) == len(ids())


def test_thousands_of_shots_leave_no_trace_in_memory(quiet):
    quiet.event("check_started", gun="upper", setup="impeller-barrier")
    shot = quiet.make("upper")
    for number in range(3000):
        at_s = quiet.now_s + number
        one = replace(shot, id=f"x{number}", started_at=rfc3339(at_s), ended_at=rfc3339(at_s + 20))
        assert isinstance(one, Dispense)
        quiet.hear(quiet.desk.dispense(one))
    assert len(quiet.desk._state.book.running("upper").shots) <= 24
