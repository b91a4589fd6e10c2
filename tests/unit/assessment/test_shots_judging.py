"""The shots of a check: agreement, outliers, requests for more, the mean's interval, learning."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from agent.assessment.repeatability import (
    Repeatability,
    judge_shots,
    learn,
    range_factor,
)
from agent.assessment.shots import ShotValue, shot_value
from agent.contract.records import BudgetLine, Dispense

KNOWN = Repeatability(0.005, 30)


def shots(*values: float | None, **members: Any) -> list[ShotValue]:
    return [ShotValue(f"s{i}", float(i), value, **members) for i, value in enumerate(values)]


def test_three_that_agree() -> None:
    judged = judge_shots(shots(100.0, 100.4, 99.8), KNOWN)
    assert (judged.too_wide, judged.wants_more) == (False, False)
    assert judged.mean == pytest.approx(100.0667, abs=1e-4)
    assert judged.low is not None
    assert judged.high is not None
    assert judged.low < 100 < judged.high


def test_range_is_held_against_3_3_repeatabilities() -> None:
    edge = range_factor(3) * 0.5
    assert not judge_shots(shots(100 - edge / 2 + 0.01, 100, 100 + edge / 2 - 0.01), KNOWN).too_wide
    assert judge_shots(shots(100 - edge / 2 - 0.01, 100, 100 + edge / 2 + 0.01), KNOWN).too_wide


def test_disagreeing_shots_want_two_more_and_no_further() -> None:
    three = judge_shots(shots(100, 100.2, 104), KNOWN)
    assert (three.too_wide, three.wants_more) == (True, True)
    four = judge_shots(shots(100, 100.2, 104, 100.1), KNOWN)
    assert (four.too_wide, four.wants_more) == (True, True)
    five = judge_shots(shots(100, 100.2, 104, 97.0, 101.9), KNOWN)
    assert (five.too_wide, five.wants_more) == (True, False)
    assert "disagree" in five.reason


def test_good_guns_hardly_ever_lose_a_check() -> None:
    """Shots that scatter as the gun is known to: one check in twenty wants more shots, one in 200 is lost."""
    rng = np.random.default_rng(8)
    wanted = lost = 0
    for _ in range(4000):
        values = 100 + 0.5 * rng.standard_normal(5)
        if judge_shots(shots(*values[:3]), KNOWN).wants_more:
            wanted += 1
            after = judge_shots(shots(*values[:4]), KNOWN)
            lost += after.wants_more and judge_shots(shots(*values), KNOWN).too_wide
    assert wanted / 4000 == pytest.approx(0.05, abs=0.012)
    assert lost / 4000 < 0.01


def test_of_five_an_outlier_is_left_out_with_the_reason() -> None:
    judged = judge_shots(shots(100, 100.2, 104, 100.1, 99.9), KNOWN)
    assert [(shot.id, "Grubbs" in why) for shot, why in judged.left_out] == [("s2", True)]
    assert not judged.too_wide
    assert judged.mean == pytest.approx(100.05)


def test_three_never_lose_an_outlier() -> None:
    assert len(judge_shots(shots(100, 100.001, 130), KNOWN).used) == 3


def test_rejected_shots_are_replaced_while_more_may_be_asked() -> None:
    values = [*shots(100.0, 100.2), ShotValue("bad", 9.0, 80.0, rejected="air_in_line")]
    judged = judge_shots(values, KNOWN)
    assert judged.wants_more
    assert [(shot.id, why) for shot, why in judged.left_out] == [("bad", "air_in_line")]
    assert "2 of 3" in judged.reason
    five = [*values, ShotValue("b2", 10.0, 1.0, rejected="x"), ShotValue("b3", 11.0, 1.0, rejected="x")]
    assert not judge_shots(five, KNOWN).wants_more


def test_nothing_usable() -> None:
    judged = judge_shots(shots(None, None), KNOWN)
    assert (judged.mean, judged.u, judged.wants_more) == (None, None, True)
    assert "could not be computed" in judged.left_out[0][1]


def test_one_shot_is_worth_what_the_gun_repeats() -> None:
    judged = judge_shots(shots(100.0), KNOWN, asked=1)
    assert judged.sd is None
    assert judged.u == pytest.approx(0.5)
    assert judge_shots(shots(100.0), None, asked=1).u is None


def test_a_coarse_scale_is_not_held_against_the_gun() -> None:
    values = (100.0, 103.0, 101.0)
    assert judge_shots(shots(*values), KNOWN).too_wide
    assert not judge_shots(shots(*values, u_random=1.5), KNOWN).too_wide


def test_the_mean_is_never_better_than_its_readings() -> None:
    judged = judge_shots(shots(100.0, 100.0, 100.0, u_random=0.6, u_common=0.2), None)
    assert judged.u == pytest.approx((0.6**2 / 3 + 0.2**2) ** 0.5)


@pytest.mark.parametrize("sd", [0.2, 0.5, 0.8])
def test_intervals_cover_and_learning_finds_the_gun(sd: float) -> None:
    """95 % intervals of means of three, over a gun's first 150 checks, with a shared error of 0.1 %."""
    rng = np.random.default_rng(3)
    covered, total = 0, 0
    for _ in range(20):
        known = Repeatability(0.005)
        for _ in range(75):
            true = 100 + 0.1 * rng.standard_normal()
            judged = judge_shots(shots(*(true + sd * rng.standard_normal(3)), u_common=0.1), known)
            assert judged.low is not None
            assert judged.high is not None
            covered, total = covered + (judged.low <= 100 <= judged.high), total + 1
            known = learn(known, judged)
        assert known.sd_rel == pytest.approx(sd / 100, rel=0.35)
    assert 0.93 < covered / total < 0.975


def test_a_gun_that_got_worse_is_known_again() -> None:
    rng = np.random.default_rng(4)
    known = Repeatability(0.003, 60)
    for _ in range(60):
        known = learn(known, judge_shots(shots(*(100 + rng.standard_normal(3))), known))
    assert known.sd_rel == pytest.approx(0.01, rel=0.25)


def test_one_bad_check_moves_little() -> None:
    after = learn(KNOWN, judge_shots(shots(100, 130, 80), KNOWN))
    assert after.sd_rel < 1.4 * KNOWN.sd_rel


@pytest.mark.parametrize("flows", [(-0.01, 0.02, -0.025), (-0.02, 0.02, 0.0), (0.0, 0.0, 0.0)])
def test_a_plugged_gun_does_not_spoil_what_is_known_of_its_repeatability(flows: tuple[float, ...]) -> None:
    judged = judge_shots(shots(*flows, u_random=0.05), KNOWN)
    assert not judged.too_wide
    assert learn(KNOWN, judged).sd_rel < 1.4 * KNOWN.sd_rel


def test_a_dispense_as_a_shot() -> None:
    dispense = Dispense(
        id="d", cell="north", at="2026-03-01T06:00:00.000Z", gun="upper", scale="floor", setup="s",
        purpose="shot", check_id=None, started_at="2026-03-01T06:00:00.000Z",
        ended_at="2026-03-01T06:00:20.000Z", open_s=20.0, open_s_from="controller", mass_g=30.0, u_mass_g=0.1,
        flow_g_per_min=90.0, u_flow_g_per_min=0.5, flow_ml_per_min=None, steady_flow_g_per_min=None,
        evaporation_g_per_s=None, pot_pressure_bar=None, fluid_c=None, quality="good", flags=(),
        n_readings=100,
        budget=(
            BudgetLine(source="readings", u_g_per_min=0.24, dof=90, kind="A"),
            BudgetLine(source="rounding", u_g_per_min=0.18, dof=None, kind="B"),
            BudgetLine(source="drift", u_g_per_min=0.24, dof=90, kind="A"),
            BudgetLine(source="calibration", u_g_per_min=0.32, dof=None, kind="B"),
        ),
    )  # fmt: skip
    shot = shot_value(dispense, 5.0)
    assert (shot.u_random, shot.u_common, shot.u_scale) == pytest.approx((0.3, 0.4, 0.32))
    assert shot.rejected is None


def test_what_shots_share_does_not_average_out_and_guns_are_compared_without_the_scales_part() -> None:
    """Nine shots: a third of what differs, all of what they share; Welch and Satterthwaite for each."""
    values = [100.0 + 0.9 * (i % 3 - 1) for i in range(9)]
    scatter = float(np.std(values, ddof=1)) / 3
    judged = judge_shots(shots(*values, u_common=0.5, u_scale=0.4), None)
    assert judged.u is not None
    assert judged.u == pytest.approx((scatter**2 + 0.5**2) ** 0.5)
    assert judged.dof == pytest.approx(judged.u**4 / (scatter**4 / 8))
    assert judged.alone is not None
    assert judged.alone.u == pytest.approx((scatter**2 + 0.3**2) ** 0.5)
    assert judged.alone.dof == pytest.approx(judged.alone.u**4 / (scatter**4 / 8))
