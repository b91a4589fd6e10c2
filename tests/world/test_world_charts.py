"""Control charts and lines against the NIST/SEMATECH e-Handbook, R's spc package and certified sets."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from agent.assessment.wear_charts import (
    D2_OF_TWO,
    MOVING_RANGE_LIMIT,
    average_run_length,
    cusum,
    decision_limit,
    ewma,
    two_sided_run_length,
)
from agent.assessment.wear_forecast import fit_line

FLOW_RATE = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]


def test_individuals_chart_of_the_flow_rate_example() -> None:
    """e-Handbook 6.3.2.2: mean 50.81, moving range 1.8778, limits 55.8041 and 45.8159, MR limit 6.1347."""
    centre, moving_range = np.mean(FLOW_RATE), np.mean(np.abs(np.diff(FLOW_RATE)))
    assert centre == pytest.approx(50.81, abs=5e-5)
    assert moving_range == pytest.approx(1.8778, abs=5e-5)
    # The handbook divides by 1.128, two digits shorter than d2.
    assert centre + 3 * moving_range / D2_OF_TWO == pytest.approx(55.8041, abs=3e-3)
    assert centre - 3 * moving_range / D2_OF_TWO == pytest.approx(45.8159, abs=3e-3)
    assert MOVING_RANGE_LIMIT * moving_range == pytest.approx(6.1347, abs=5e-4)


EWMA_DATA = [
    52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5,
    49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1,
]  # fmt: skip
EWMA_PRINTED = [
    50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33,
    50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99,
]  # fmt: skip


def test_ewma_of_the_handbook() -> None:
    """e-Handbook 6.3.2.4, weight 0.3, target 50."""
    np.testing.assert_allclose(ewma(EWMA_DATA, 50.0, 0.3), EWMA_PRINTED, atol=5.1e-3)


CUSUM_DATA = [
    324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600,
    324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350,
]  # fmt: skip
CUSUM_HIGH = [0, 0, 0, 0, 0.03, 0, 0, 0, 0, 0, 0, 0, 3.01, 4.94, 7.45, 10.63, 11.99, 14.44, 16.00, 19.04]
CUSUM_LOW = [0, 0.01, 0, 0.33, 0, 0, 0.56, 0.72, 0.17, 0.25, 0.31, 0, 0, 0, 0, 0, 0, 0, 0, 0]


def test_tabular_cusum_of_the_handbook() -> None:
    """e-Handbook 6.3.2.3: target 325, k = 0.3175, h = 4.1959; first signal at point 14."""
    upper, lower = cusum(CUSUM_DATA, 325.0, 0.3175)
    np.testing.assert_allclose(upper, CUSUM_HIGH, atol=5.1e-3)
    np.testing.assert_allclose(lower, CUSUM_LOW, atol=5.1e-3)
    assert upper[12] == pytest.approx(3.0075, abs=1e-9)
    assert upper[19] == pytest.approx(19.035, abs=1e-9)
    assert int(np.argmax(upper > 4.1959)) + 1 == 14
    assert not np.any(lower > 4.1959)


# R 4.2.2 with spc 0.6.7, one-sided, k = 0.5. The e-Handbook 6.3.2.3.1 prints 336, 8.38, 930, 10.4.
SPC = [(4.0, 0.0, 335.3676), (4.0, 1.0, 8.3832), (5.0, 0.0, 930.887), (5.0, 1.0, 10.3760)]


@pytest.mark.parametrize(("h", "shift", "expected"), SPC)
def test_run_lengths_of_spc(h: float, shift: float, expected: float) -> None:
    assert average_run_length(0.5, h, shift) == pytest.approx(expected, rel=1e-5)


@pytest.mark.parametrize(("h", "expected"), [(4.0, 167.68), (5.0, 465.44)])
def test_two_sided_run_lengths_of_spc(h: float, expected: float) -> None:
    assert two_sided_run_length(0.5, h) == pytest.approx(expected, rel=1e-4)


# Two-sided average run lengths for k = 0.5, h = 4 and 5 (e-Handbook 6.3.2.3 and textbooks, from memory).
SHIFTS = (0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0)
TEXTBOOK = {
    4.0: (74.2, 26.6, 13.3, 8.38, 4.75, 3.34, 2.62, 2.19, 1.71),
    5.0: (139, 38.0, 17.0, 10.4, 5.75, 4.01, 3.11, 2.57, 2.01),
}


@pytest.mark.parametrize("h", TEXTBOOK)
def test_run_lengths_of_textbooks(h: float) -> None:
    seen = [two_sided_run_length(0.5, h, shift) for shift in SHIFTS]
    np.testing.assert_allclose(seen, TEXTBOOK[h], rtol=6e-3)


# Limits that give a two-sided run length of 370 (Hawkins 1993, as in textbooks; from memory).
HAWKINS = [(0.25, 8.01), (0.5, 4.77), (0.75, 3.34), (1.0, 2.52), (1.25, 1.99), (1.5, 1.61)]


@pytest.mark.parametrize(("k", "h"), HAWKINS)
def test_decision_limits_of_hawkins(k: float, h: float) -> None:
    assert decision_limit(k, 370.4) == pytest.approx(h, abs=0.012)


def test_norris_line_with_the_bend_taken_out() -> None:
    """NIST StRD Norris, certified 1.00211681802045 and -0.262323073774029: Huber with no bend."""
    path = Path(__file__).parents[3] / "shared" / "data" / "nist" / "Norris.dat"
    if not path.is_file():
        pytest.skip(f"the NIST file Norris.dat is not at {path.parent}")
    rows = [row.split() for row in path.read_text().splitlines()[60:96]]
    y, x = np.array(rows, dtype=float).T
    line = fit_line(x, y, bend=1e9, keep_all=True)
    assert line is not None
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-11)
    assert line.at(0.0) == pytest.approx(-0.262323073774029, rel=1e-8)
