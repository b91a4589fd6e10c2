"""Wear that began with the part: it is counted from the new part, not from the mean of the first checks."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from agent.assessment.wear import WearJudged, WearPoint, judge_wear
from agent.assessment.wear_changes import changes_of
from agent.assessment.wear_course import beside_step, course_of

START_S = 1.9e9
SHIFT_S = 28800.0
GUNS = 25


def checks(wear: Callable[[int], float], n: int, seed: int = 1, sd: float = 0.003) -> list[WearPoint]:
    rng = np.random.default_rng(seed)
    flows = [96.0 * (1 + wear(i)) * (1 + sd * rng.standard_normal()) for i in range(n)]
    return [
        WearPoint(START_S + i * SHIFT_S, flow, sd * flow, 3.0, 0.5, "butanone", 5000.0 * i)
        for i, flow in enumerate(flows)
    ]


def steady(pct_per_check: float, begins: int = 0) -> Callable[[int], float]:
    return lambda i: pct_per_check / 100 * max(0, i - begins)


def held(judged: list[WearJudged], truth_pct: float) -> float:
    """Part of the intervals that hold the truth."""
    inside = 0
    for one in judged:
        assert one.change_low_pct is not None
        assert one.change_high_pct is not None
        inside += one.change_low_pct <= truth_pct <= one.change_high_pct
    return inside / len(judged)


def mean_pct(judged: list[WearJudged]) -> float:
    return float(np.mean([one.change_pct for one in judged]))


@pytest.mark.parametrize("sd", [0.003, 0.005, 0.01])
@pytest.mark.parametrize("rate", [0.2, 0.35, 0.7])
def test_fast_wear_is_told_as_it_is(rate: float, sd: float) -> None:
    judged = [judge_wear(checks(steady(rate), 24, seed, sd)) for seed in range(GUNS)]
    assert mean_pct(judged) == pytest.approx(23 * rate, rel=0.04, abs=0.6 * 100 * sd)
    assert held(judged, 23 * rate) >= 0.84


def test_a_plugged_tip_that_was_cleaned_is_no_course() -> None:
    judged = [judge_wear(checks(lambda i: -0.02 * (15 <= i < 30), 45, seed)) for seed in range(GUNS)]
    assert {one.pattern for one in judged} == {"none"}
    assert mean_pct(judged) == pytest.approx(0.0, abs=0.1)
    assert held(judged, 0.0) >= 0.9


@pytest.mark.parametrize(("rate", "sd"), [(0.05, 0.003), (0.1, 0.005), (0.14, 0.01), (0.2, 0.01)])
def test_wear_that_the_charts_may_not_see_yet_is_within_the_interval(rate: float, sd: float) -> None:
    judged = [judge_wear(checks(steady(rate), 20, seed, sd)) for seed in range(GUNS)]
    assert held(judged, 19 * rate) >= 0.8
    assert any(one.pattern == "none" for one in judged)


@pytest.mark.parametrize("rate", [0.35, 0.7])
def test_the_day_and_the_grams_of_fast_wear_are_counted_from_the_new_part(rate: float) -> None:
    life = 10 / rate
    n = int(0.8 * life) + 1
    days, grams = [], []
    for seed in range(GUNS):
        one = judge_wear(checks(steady(rate), n, seed))
        assert one.due is not None
        assert one.due_g is not None
        days.append((one.due.at_s - START_S) / SHIFT_S / life)
        grams.append((one.due_g / 5000 + n - 1) / life)
    assert float(np.mean(days)) == pytest.approx(1, abs=0.03)
    assert float(np.mean(grams)) == pytest.approx(1, abs=0.03)


def test_grams_that_were_counted_late_meet_the_limit_on_the_same_zero() -> None:
    points = [replace(p, grams=None) if i < 4 else p for i, p in enumerate(checks(steady(0.35), 20))]
    judged = judge_wear(points)
    assert judged.due_g is not None
    assert judged.due_g / 5000 == pytest.approx(10 / 0.35 - 19, abs=1.5)


@pytest.mark.parametrize(("rate", "begins"), [(0.35, 10), (0.35, 20), (0.1, 20)])
@pytest.mark.parametrize("sd", [0.003, 0.01])
def test_wear_that_begins_later_is_not_reached_back(rate: float, begins: int, sd: float) -> None:
    n = 50
    judged = [judge_wear(checks(steady(rate, begins), n, seed, sd)) for seed in range(GUNS)]
    truth = rate * (n - 1 - begins)
    assert mean_pct(judged) == pytest.approx(truth, abs=0.4 * 100 * sd)
    assert held(judged, truth) >= 0.82


def test_two_fluids_in_turn_wear_as_one_part() -> None:
    """The first level is that of every fourth check, so its mean lies far from the new part."""
    judged = []
    for seed in range(GUNS):
        points = checks(steady(0.2), 60, seed)
        judged.append(
            judge_wear(
                [p if i % 4 else replace(p, fluid="water", flow=1.2 * p.flow) for i, p in enumerate(points)]
            )
        )
    assert mean_pct(judged) == pytest.approx(11.8, abs=0.2)
    assert held(judged, 11.8) >= 0.84


def test_a_needle_that_is_turned_on_the_way_does_not_hide_fast_wear() -> None:
    judged = []
    for seed in range(GUNS):
        points = checks(steady(0.35), 40, seed)
        judged.append(
            judge_wear(
                [p if i < 15 else replace(p, setting=2.9, flow=0.96 * p.flow) for i, p in enumerate(points)]
            )
        )
    assert {one.pattern for one in judged} == {"drift"}
    assert mean_pct(judged) == pytest.approx(13.65, abs=0.4)
    assert held(judged, 13.65) >= 0.84


def test_a_tip_that_plugs_on_fast_wear_is_counted_from_the_new_part() -> None:
    judged = [judge_wear(checks(lambda i: 0.0035 * i - 0.05 * (i >= 28), 32, seed)) for seed in range(GUNS)]
    assert {one.pattern for one in judged} == {"plugging"}
    # The level since it plugged, of four checks whose mean is number 29.5.
    assert mean_pct(judged) == pytest.approx(0.35 * 29.5 - 5, abs=0.3)


@pytest.mark.parametrize("sd", [0.003, 0.01])
@pytest.mark.parametrize("rate", [0.2, 0.7])
def test_drift_does_not_pass_for_scatter(rate: float, sd: float) -> None:
    squares = [changes_of(checks(steady(rate), 20, seed, sd)).sigma ** 2 for seed in range(60)]
    assert math.sqrt(float(np.mean(squares))) == pytest.approx(sd, rel=0.06)


def test_scatter_of_a_steady_gun_is_found_without_bias() -> None:
    for n in (5, 8, 20):
        squares = [changes_of(checks(lambda _: 0.0, n, seed, 0.004)).sigma ** 2 for seed in range(200)]
        assert math.sqrt(float(np.mean(squares))) == pytest.approx(0.004, rel=0.06)


def test_what_may_be_chance_is_not_taken_off_as_drift() -> None:
    """Else the scatter is told too small, and false alarms come more often."""
    for seed in range(GUNS):
        points = [replace(p, u=0.0) for p in checks(lambda _: 0.0, 50, seed)]
        moves = np.abs(np.diff(np.log([p.flow for p in points])))
        kept = moves[moves <= 3.267 * 1.12838 / 0.9539 * np.median(moves)]
        plain = kept.mean() / (0.9755 * 1.12838) * math.sqrt(len(kept) / (len(kept) + 6))
        assert changes_of(points).sigma == pytest.approx(plain, rel=1e-4)


def test_a_steady_gun_is_told_no_wear() -> None:
    judged = [judge_wear(checks(lambda _: 0.0, 20, seed)) for seed in range(GUNS)]
    assert mean_pct(judged) == pytest.approx(0.0, abs=0.1)
    assert held(judged, 0.0) >= 0.9


def test_the_words_do_not_deny_what_the_interval_says() -> None:
    """A slow rise under a chart that has not signalled."""
    found = 0
    for seed in range(GUNS):
        one = judge_wear(checks(steady(0.2), 16, seed, 0.01))
        assert one.change_low_pct is not None
        if one.pattern == "none":
            assert ("yet, though the checks rise" in one.reason) == (one.change_low_pct > 0)
            found += one.change_low_pct > 0
    assert found > 0


def test_the_course_of_a_clean_line_is_exact() -> None:
    """Flow 1 + 0.004 i: the new part is at the first check, however the changes are counted."""
    points = [replace(p, flow=96.0 * (1 + 0.004 * i), u=0.1) for i, p in enumerate(checks(lambda _: 0.0, 21))]
    changes = changes_of(points)
    course = course_of(changes, changes.days, np.arange(21))
    assert course is not None
    assert changes.change[0] < -0.005
    assert course.zero == pytest.approx(changes.change[0], abs=1e-4)
    assert course.line.at(float(changes.days[-1])) == pytest.approx(0.08, abs=2e-4)
    assert course.line.slope == pytest.approx(0.004 * 3, rel=0.01)
    assert course.beside_none == pytest.approx(1.0)


def test_a_course_needs_checks_at_like_conditions() -> None:
    points = [replace(p, setting=float(i)) for i, p in enumerate(checks(steady(0.3), 12))]
    changes = changes_of(points)
    assert course_of(changes, changes.days, np.arange(12)) is None
    assert judge_wear(points).change_pct is not None
    assert course_of(changes, changes.days, np.arange(0)) is None


def test_the_latest_checks_at_conditions_of_their_own_do_not_undo_a_course() -> None:
    points = checks(steady(0.3), 26)
    points = [p if i < 20 else replace(p, setting=3.0 + i) for i, p in enumerate(points)]
    judged = judge_wear(points)
    assert judged.pattern == "drift"
    assert judged.due is not None
    assert judged.change_pct == pytest.approx(25 * 0.3, abs=0.7)


def test_a_step_and_a_course_are_told_apart_by_what_they_leave() -> None:
    stepped = changes_of(checks(lambda i: 0.03 * (i >= 15), 30))
    drifted = changes_of(checks(steady(0.2), 30))
    assert beside_step(stepped, np.arange(30)) < 0.01
    assert beside_step(drifted, np.arange(30)) > 0.99
