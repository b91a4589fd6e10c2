"""Conformity, Student's t and combined uncertainty against JCGM 106, JCGM 100 and calculators' figures."""

from __future__ import annotations

import math

import pytest

from agent.assessment.conformity import conformance_probability, judge
from agent.assessment.intervals import Contribution, combined, coverage_factor, t_quantile

# JCGM 106:2012 examples (values computed with scipy and an independent script; wording from memory).
JCGM_106 = [
    ("breakdown voltage, upper limit -5.40 V", -5.47, 0.05, None, -5.40, 0.9192, 1e-4),
    ("pressure, lower limit 490 kPa", 509.7, 8.6, 490.0, None, 0.9890, 1e-4),
    ("viscosity between 12.5 and 16.3 mm2/s", 13.6, 1.8, 12.5, 16.3, 0.6626, 1e-4),
    ("resistors N(1500, 0.12) ohm within 0.20", 1500.0, 0.12, 1499.8, 1500.2, 0.9044192954, 1e-9),
]


@pytest.mark.parametrize("example", JCGM_106, ids=lambda example: example[0])
def test_conformance_probability_of_jcgm_106(
    example: tuple[str, float, float, float | None, float | None, float, float],
) -> None:
    name, y, u, low, high, expected, tolerance = example
    assert conformance_probability(y, u, None, low, high) == pytest.approx(expected, abs=tolerance), name


# Guard band w = r U with U = 2u: risk of a false acceptance at the acceptance limit is 1 - Phi(2r).
# Simple acceptance 50 % and w = U 2.3 %: ILAC-G8:09/2019; r = 0.83 4.85 %: ISO 14253-1 (from memory).
GUARD_BANDS = [(0.0, 0.5), (1.0, 0.02275), (0.83, 0.0485), (1.5, 0.00135)]


@pytest.mark.parametrize(("r", "risk"), GUARD_BANDS)
def test_risk_at_the_acceptance_limit(r: float, risk: float) -> None:
    u, upper = 0.4, 100.0
    at_limit = upper - r * 2 * u
    assert 1 - conformance_probability(at_limit, u, None, None, upper) == pytest.approx(risk, abs=5e-5)


@pytest.mark.parametrize(("r", "risk"), [(1.0, 0.02275), (0.83, 0.0485)])
def test_the_verdict_changes_at_the_guard_band_of_the_standard(r: float, risk: float) -> None:
    u = 0.4
    edge = 105.0 - r * 2 * u
    inside = judge(edge - 0.002, u, None, 100.0, 5.0, risk=risk)
    outside = judge(edge + 0.002, u, None, 100.0, 5.0, risk=risk)
    assert (inside.verdict, outside.verdict) == ("pass", "inconclusive")
    assert inside.guard_pct == pytest.approx(r * 2 * u, abs=1e-3)


# JCGM 100:2008 table G.2, t for nu degrees of freedom and p percent (two decimals as printed).
G2_LEVELS = (0.6827, 0.90, 0.95, 0.9545, 0.99, 0.9973)
G2 = {
    1: (1.84, 6.31, 12.71, 13.97, 63.66, 235.78),
    2: (1.32, 2.92, 4.30, 4.53, 9.92, 19.21),
    3: (1.20, 2.35, 3.18, 3.31, 5.84, 9.22),
    4: (1.14, 2.13, 2.78, 2.87, 4.60, 6.62),
    5: (1.11, 2.02, 2.57, 2.65, 4.03, 5.51),
    6: (1.09, 1.94, 2.45, 2.52, 3.71, 4.90),
    10: (1.05, 1.81, 2.23, 2.28, 3.17, 3.96),
    16: (1.03, 1.75, 2.12, 2.17, 2.92, 3.54),
    20: (1.03, 1.72, 2.09, 2.13, 2.85, 3.42),
    None: (1.00, 1.645, 1.960, 2.000, 2.576, 3.000),
}


@pytest.mark.parametrize("dof", G2)
def test_coverage_factors_of_gum_table_g2(dof: int | None) -> None:
    for level, printed in zip(G2_LEVELS, G2[dof], strict=True):
        # The table names 68.27, 95.45 and 99.73 % for one, two and three standard deviations exactly.
        digits = 0.006 if printed < 100 else 0.07
        exact = {0.6827: math.erf(1 / math.sqrt(2)), 0.9545: math.erf(math.sqrt(2))}.get(level, level)
        exact = math.erf(3 / math.sqrt(2)) if level == 0.9973 else exact
        assert coverage_factor(dof, exact) == pytest.approx(printed, abs=digits), (dof, level)


def test_gauge_block_of_gum_h1() -> None:
    """JCGM 100:2008 H.1: u = 32 nm, 16 effective degrees of freedom, t99 = 2.92, U99 = 93 nm."""
    u, dof = combined(
        [
            Contribution(25.0, 18),
            Contribution(9.7, 25.6),
            Contribution(2.9, 50),
            Contribution(16.6, 2),
        ]
    )
    assert u == pytest.approx(31.66, abs=0.02)
    assert dof is not None
    assert math.floor(dof) == 16
    t99 = t_quantile(0.995, math.floor(dof))
    assert t99 == pytest.approx(2.92, abs=0.005)
    assert t99 * 32 == pytest.approx(93, abs=0.6)


def test_comparator_of_gum_h1() -> None:
    """JCGM 100:2008 H.1.5: u(d) = 9.7 nm with 25.6 degrees of freedom of 5.8 (24), 3.9 (5) and 6.7 nm (8)."""
    u, dof = combined([Contribution(5.8, 24), Contribution(3.9, 5), Contribution(6.7, 8)])
    assert u == pytest.approx(9.7, abs=0.03)
    assert dof == pytest.approx(25.5, abs=0.2)


def test_weighed_shot_by_three_calculators() -> None:
    """1250.0 to 1400.0 g, each +-0.05 g, in 30 s +-0.05 s: u = 0.300 g/min (three calculators agree)."""
    reading = 0.05 / math.sqrt(3) * 60 / 30
    timing = 0.05 / math.sqrt(3) * 300 / 30
    u, dof = combined([Contribution(reading), Contribution(reading), Contribution(timing)])
    assert u == pytest.approx(0.300, abs=5e-4)
    assert dof is None
