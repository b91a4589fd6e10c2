"""Advice and causes do not contradict each other: what must be mended is not compensated by the needle."""

from __future__ import annotations

import pytest

from agent.assessment.desk import Conditions
from agent.contract.records import Advice, Cause, Check, Release, Wear


@pytest.fixture
def passed(floor_of, cell_of):
    """Both guns passed, the lower one at a known needle setting."""
    floor = floor_of(cell_of(shifts=()), start="2026-03-02T12:00:00Z")
    floor.event("needle_set", gun="lower", setting=5.0)
    floor.check("upper")
    floor.check("lower")
    return floor


def of_lower(floor) -> Advice:
    return [advice for advice in floor.of(Advice) if advice.gun == "lower"][-1]


def test_a_gun_that_passed_and_fell_with_its_needle_at_rest_is_cleaned_first(passed):
    passed.flows["lower"] = 88.0
    passed.check("lower")
    cause = passed.last(Cause).ranked[0]
    assert (cause.code, cause.gun) == ("tip-plugged", "lower")
    advice = of_lower(passed)
    assert (advice.advised, advice.change) == (None, None)
    assert "do not turn the needle, first clean tip and fluid passage of gun lower" in advice.reason
    assert "tip-plugged" in advice.reason


def test_a_needle_that_was_closed_is_opened_again(passed):
    passed.flows["lower"] = 88.0
    passed.event("needle_set", gun="lower", setting=4.65)
    passed.check("lower")
    assert passed.last(Cause).ranked[0].code == "needle-closed"
    assert (of_lower(passed).change or 0) > 0


def test_a_fall_that_the_turn_does_not_explain_is_no_closed_needle(passed):
    passed.flows["lower"] = 86.0
    passed.event("needle_set", gun="lower", setting=4.95)
    passed.check("lower")
    assert passed.last(Cause).ranked[0].code == "tip-plugged"
    assert of_lower(passed).change is None


def test_a_gun_never_seen_right_is_turned_and_the_doubt_is_told(floor_of, cell_of):
    floor = floor_of(cell_of(shifts=()), start="2026-03-02T12:00:00Z")
    floor.event("needle_set", gun="lower", setting=5.0)
    floor.flows["lower"] = 88.0
    floor.check("upper")
    floor.check("lower")
    ranked = floor.last(Cause).ranked
    assert ranked[0].code == "needle-closed"
    assert "cannot be told apart" in " ".join(ranked[0].evidence)
    advice = of_lower(floor)
    assert (advice.change or 0) > 0
    assert advice.first.startswith("clean tip and fluid passage of gun lower, for tip-plugged is")
    assert advice.reason == f"{advice.why}; but first {advice.first}"


def test_a_low_supply_is_set_right_before_any_needle_is_turned(passed):
    passed.pressure_bar = 0.42
    passed.hear(passed.desk.conditions(Conditions(passed.now_s, pot_pressure_bar=0.42)))
    passed.flows.update(upper=90.0, lower=90.0)
    passed.check("upper")
    passed.check("lower")
    assert {one.code for one in passed.last(Cause).ranked[:2]} == {"pressure-off", "supply-low"}
    assert all(advice.change is None for advice in passed.of(Advice))
    assert "first look at the supply (pot pressure" in of_lower(passed).reason


def test_a_gun_that_wears_is_set_and_the_limit_is_named(floor_of, cell_of):
    floor = floor_of(cell_of(shifts=()), start="2026-03-02T12:00:00Z")
    floor.event("needle_set", gun="lower", setting=5.0)
    for check in range(70):
        floor.flows["lower"] = 96.0 * (1 + 0.001 * check)
        floor.check("lower")
        floor.skip_to(floor.now_s + 8 * 3600)
    wear = floor.last(Wear)
    assert wear.due is not None
    assert wear.due.at is not None
    assert wear.due.at[:10] == wear.due.date
    assert wear.at == floor.last(Check).at < wear.due.at
    advice = of_lower(floor)
    assert (advice.change or 0) < 0
    assert advice.remark.startswith("the needle makes up for wear only until the limit of 10 %")
    assert advice.reason == f"{advice.why}; {advice.remark}"


def test_a_trigger_that_costs_flow_in_every_shot_is_seen_from_the_steady_flow(passed):
    """1.4 s of 20 s are lost: the open gun's flow is right, that of the shot 7 % low. No tip is plugged."""
    passed.flows["lower"] = 89.3
    passed.event("check_started", gun="lower", setup="impeller-barrier")
    check_id = passed.events[-1].event_id
    for _ in range(3):
        passed.shoot("lower", check_id=check_id, **LATE)
    assert passed.last(Cause).ranked[0].code == "slow-trigger"
    advice = of_lower(passed)
    assert advice.change is None
    assert "first look at the trigger air of gun lower:" in advice.reason


LATE = {
    "flags": ("slow_start",),
    "quality": "suspect",
    "steady_flow_g_per_min": 96.0,
    "u_steady_flow_g_per_min": 0.1,
    "u_flow_g_per_min": 0.1,
}


def test_a_learned_error_of_opening_counts_where_the_shots_tell_none(passed):
    passed.flows["lower"] = 89.3
    passed.event("check_started", gun="lower", setup="impeller-barrier")
    check_id = passed.events[-1].event_id
    for _ in range(3):
        passed.shoot("lower", check_id=check_id, open_error_s=-1.4, u_open_error_s=0.1)
    passed.event("check_ended", gun="lower", setup="impeller-barrier")
    (cause,) = [one for one in passed.last(Cause).ranked if one.code == "slow-trigger"]
    assert any("cost it 1.4 s" in text for text in cause.evidence)


def test_shots_spoiled_at_the_scale_name_the_scale_though_there_is_no_result(passed):
    passed.event("check_started", gun="lower", setup="impeller-barrier")
    check_id = passed.events[-1].event_id
    for _ in range(3):
        passed.shoot("lower", check_id=check_id, quality="rejected", flags=("container_moved",))
    passed.event("check_ended", gun="lower", setup="impeller-barrier")
    passed.run(passed.now_s + 900)
    assert passed.last(Check).verdict == "inconclusive"
    assert passed.last(Cause).ranked[0].code == "scale-trouble"


def test_a_hunting_regulator_is_named_though_the_checks_pass(passed):
    assert passed.of(Cause) == []
    for second in range(60):
        bar = 0.5 * (1.04 if second % 2 else 0.96)
        passed.hear(passed.desk.conditions(Conditions(passed.now_s + second, pot_pressure_bar=bar)))
    passed.now_s += 60
    passed.check("lower")
    assert passed.last(Check).verdict == "pass"
    assert passed.last(Cause).ranked[0].code == "pressure-unsteady"
    for second in range(700):
        passed.hear(passed.desk.conditions(Conditions(passed.now_s + second, pot_pressure_bar=0.5)))
    passed.now_s += 700
    passed.check("lower")
    assert passed.last(Cause).ranked[0].code == "flow-right"


def test_a_cause_is_taken_back_once_nothing_speaks_for_it(floor_of, cell_of):
    """A first check is cut off, and nothing is known of the other gun: nobody is to blame for that."""
    floor = floor_of(cell_of(shifts=(), takes_requests=False), start="2026-03-02T12:00:00Z")
    floor.flows["upper"] = 88.0
    floor.check("upper")
    assert floor.last(Cause).ranked[0].gun == "upper"
    told = len(floor.of(Cause))
    floor.flows["upper"] = 96.0
    floor.check("upper")
    assert [cause.ranked for cause in floor.of(Cause)[told:]] == [()]
    floor.restart()
    floor.check("lower")
    assert floor.last(Release).state == "released"
    assert len(floor.of(Cause)) == told + 1


def test_a_gun_that_was_never_checked_is_blamed_for_nothing(floor_of, cell_of):
    floor = floor_of(cell_of(shifts=(), takes_requests=False), start="2026-03-02T12:00:00Z")
    floor.check("upper", shots=1)
    floor.pass_time(700)
    assert floor.last(Check).verdict == "inconclusive"
    assert floor.of(Cause) == []


def test_a_gun_that_passes_takes_nothing_back_of_one_that_is_still_off(passed):
    passed.flows["lower"] = 88.0
    passed.check("lower")
    passed.check("upper")
    assert passed.last(Cause).ranked[0].code == "tip-plugged"
    passed.flows["lower"] = 96.0
    passed.check("lower")
    assert passed.last(Cause).ranked[0].code == "flow-right"


@pytest.mark.parametrize("restarts", [False, True])
def test_an_advice_that_stands_is_not_given_again_when_another_gun_is_checked(passed, restarts):
    passed.flows["lower"] = 88.0
    passed.check("lower")
    passed.check("upper")
    if restarts:
        passed.restart()
    passed.check("upper")
    assert [check.gun for check in passed.of(Check)][-2:] == ["upper", "upper"]
    told = [advice.id for advice in passed.of(Advice)]
    assert told
    assert len(told) == len(set(told))


def test_a_pot_that_was_set_for_another_setup_is_not_called_unsteady(passed):
    """The readings from before the setup was loaded gave the regulator 27 % of a gun's low flow."""
    passed.event("setup_loaded", setup="flange-primer")
    for _ in range(60):
        passed.now_s += 5.0
        passed.hear(passed.desk.conditions(Conditions(passed.now_s, pot_pressure_bar=0.4)))
    passed.event("setup_loaded", setup="impeller-barrier")
    for bar in (0.42, 0.47, 0.49, *[0.5] * 15):
        passed.now_s += 5.0
        passed.hear(passed.desk.conditions(Conditions(passed.now_s, pot_pressure_bar=bar)))
    passed.flows["lower"] = 88.0
    passed.check("lower")
    assert [one for one in passed.last(Cause).ranked if one.code == "pressure-unsteady"] == []
