"""Conformity: verdicts, guard bands, and how often a normal check is decided."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.assessment.conformity import conformance_probability, judge


@pytest.mark.parametrize(
    ("value", "verdict"),
    [(100.0, "pass"), (104.0, "pass"), (96.0, "pass"), (105.0, "inconclusive"), (94.9, "inconclusive"),
     (106.0, "fail"), (90.0, "fail")],
)  # fmt: skip
def test_verdicts_about_the_limits(value: float, verdict: str) -> None:
    judged = judge(value, 0.3, 12.0, 100.0, 5.0)
    assert judged.verdict == verdict
    assert judged.deviation_pct == pytest.approx(value - 100)


def test_a_large_uncertainty_decides_nothing() -> None:
    judged = judge(100.0, 6.0, 2.0, 100.0, 5.0)
    assert judged.verdict == "inconclusive"
    assert "too large" in judged.reason


def test_few_degrees_of_freedom_widen_the_guard_band() -> None:
    assert judge(104.2, 0.4, None, 100.0, 5.0).verdict == "pass"
    assert judge(104.2, 0.4, 2.0, 100.0, 5.0).verdict == "inconclusive"


def test_normal_checks_are_nearly_always_decided() -> None:
    """Guns within some 2 % of target, u 0.2 to 0.4 %, tolerance 5 %: over 97 % pass or fail at once."""
    rng = np.random.default_rng(1)
    verdicts = [
        judge(100 + rng.normal(0, 2), rng.uniform(0.2, 0.4), 8.0, 100.0, 5.0).verdict for _ in range(4000)
    ]
    assert verdicts.count("inconclusive") / 4000 < 0.03


def test_the_risk_is_kept_on_both_sides() -> None:
    """True flows spread evenly about a limit: at most 5 % of the passed are out, of the failed in."""
    rng = np.random.default_rng(2)
    wrong = {"pass": 0, "fail": 0}
    count = {"pass": 0, "fail": 0, "inconclusive": 0}
    for _ in range(20000):
        true = rng.uniform(104.0, 106.0)
        verdict = judge(true + rng.normal(0, 0.3), 0.3, None, 100.0, 5.0).verdict
        count[verdict] += 1
        if verdict == "pass":
            wrong["pass"] += true > 105
        elif verdict == "fail":
            wrong["fail"] += true < 105
    assert wrong["pass"] / count["pass"] < 0.05
    assert wrong["fail"] / count["fail"] < 0.05


@pytest.mark.parametrize(
    ("value", "u", "target", "tolerance", "risk"),
    [(float("nan"), 1, 100, 5, 0.05), (100, -1, 100, 5, 0.05), (100, 1, 0, 5, 0.05), (100, 1, 100, 0, 0.05),
     (100, 1, 100, 5, 0.5)],
)  # fmt: skip
def test_nonsense_is_refused(value: float, u: float, target: float, tolerance: float, risk: float) -> None:
    with pytest.raises(ValueError, match=r"must|needed"):
        judge(value, u, None, target, tolerance, risk=risk)


def test_no_uncertainty_is_yes_or_no() -> None:
    assert conformance_probability(1.0, 0.0, None, 0.9, 1.1) == 1.0
    assert conformance_probability(1.2, 0.0, None, 0.9, 1.1) == 0.0


@given(
    value=st.floats(50, 150),
    u=st.floats(0.01, 20),
    dof=st.one_of(st.none(), st.floats(1, 100)),
    tolerance=st.floats(0.5, 20),
)
def test_more_tolerance_never_makes_it_less_probable(
    value: float, u: float, dof: float | None, tolerance: float
) -> None:
    tight = judge(value, u, dof, 100.0, tolerance)
    wide = judge(value, u, dof, 100.0, tolerance * 1.5)
    assert 0.0 <= tight.conformance_probability <= wide.conformance_probability + 1e-12 <= 1 + 1e-9
    assert not (tight.verdict == "pass" and wide.verdict == "fail")
