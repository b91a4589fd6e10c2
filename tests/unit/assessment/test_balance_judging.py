"""Balance: equivalence, which gun is off, what it means on the part."""

from __future__ import annotations

import numpy as np
import pytest
from statsmodels.stats.weightstats import ttost_ind

from agent.assessment.balance import GunMean, equivalence_p, judge_balance
from agent.assessment.intervals import Contribution, combined


def guns(*means: float, u: float = 0.3, dof: float | None = 8.0) -> list[GunMean]:
    return [GunMean(name, f"c-{name}", mean, u, dof) for name, mean in zip("abcd", means, strict=False)]


def test_equal_guns_pass() -> None:
    judged = judge_balance(guns(100.0, 100.5), 4.0)
    assert judged.verdict == "pass"
    assert judged.spread_pct == pytest.approx(0.4988, abs=1e-4)
    assert judged.off is None


def test_unequal_guns_fail_and_the_part_is_told() -> None:
    judged = judge_balance(guns(100.0, 93.0), 4.0, target=100.0)
    assert (judged.verdict, judged.off) == ("fail", "b")
    assert judged.off_by_pct == pytest.approx(-7.0)
    assert "7.0 % less film" in judged.reason


def test_near_the_limit_nothing_is_said_for_certain() -> None:
    assert judge_balance(guns(100.0, 96.0), 4.0).verdict == "inconclusive"


@pytest.mark.parametrize("target", [None, 96.0])
@pytest.mark.parametrize("plugged", [-0.02, 0.0])
def test_a_plugged_gun_is_out_of_balance_whatever_its_noise_says(
    plugged: float, target: float | None
) -> None:
    judged = judge_balance(guns(96.0, plugged), 4.0, target=target)
    assert (judged.verdict, judged.off, judged.off_by_pct) == ("fail", "b", -100.0)
    assert judge_balance(guns(plugged, 96.0, plugged), 4.0).off == "a"


def test_the_gun_furthest_from_the_others_is_off() -> None:
    judged = judge_balance(guns(100.0, 100.4, 92.0, 99.7), 4.0)
    assert judged.off == "c"
    assert judged.off_by_pct == pytest.approx(100 * (92 / 100.0333 - 1), abs=0.01)
    assert dict(judged.from_mean_pct)["c"] == pytest.approx(100 * (92 / 98.025 - 1))


def test_of_two_guns_the_one_further_from_target_is_off() -> None:
    assert judge_balance(guns(106.0, 99.0), 4.0, target=100.0).off == "a"
    assert judge_balance(guns(101.0, 94.0), 4.0, target=100.0).off == "b"


@pytest.mark.parametrize("few", [guns(), guns(100.0), guns(0.0, -0.02)])
def test_one_gun_has_no_balance(few: list[GunMean]) -> None:
    judged = judge_balance(few, 4.0)
    assert (judged.verdict, judged.spread_pct) == ("inconclusive", None)


@pytest.mark.parametrize("seed", range(5))
def test_equivalence_agrees_with_statsmodels(seed: int) -> None:
    rng = np.random.default_rng(seed)
    first, second = rng.normal(100, 0.8, 5), rng.normal(101, 1.5, 4)
    u, dof = combined(
        [
            Contribution(float(first.std(ddof=1)) / 5**0.5, 4),
            Contribution(float(second.std(ddof=1)) / 4**0.5, 3),
        ]
    )
    expected, *_ = ttost_ind(first, second, -3.0, 3.0, usevar="unequal")
    seen = equivalence_p(float(first.mean() - second.mean()), u, dof, 3.0)
    assert seen == pytest.approx(float(expected), rel=1e-9)


@pytest.mark.parametrize("number", [2, 3, 4])
def test_wrong_verdicts_are_as_rare_as_the_risk(number: int) -> None:
    """Guns exactly at the limit: at most 5 % pass, and at most 5 % fail."""
    rng = np.random.default_rng(7)
    spread = np.linspace(98, 102, number)
    verdicts = []
    for _ in range(3000):
        seen = spread + 0.5 * rng.standard_normal(number)
        verdicts.append(judge_balance(guns(*seen, u=0.5, dof=None), 4.0).verdict)
    assert verdicts.count("pass") / 3000 < 0.06
    assert verdicts.count("fail") / 3000 < 0.07


def test_exact_numbers_decide_exactly() -> None:
    assert judge_balance(guns(100.0, 102.0, u=0.0, dof=None), 4.0).verdict == "pass"
    assert judge_balance(guns(100.0, 106.0, u=0.0, dof=None), 4.0).verdict == "fail"
