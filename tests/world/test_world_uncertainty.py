"""Uncertainty against the examples of JCGM 100 (GUM) and against another library."""

from __future__ import annotations

import math

import numpy as np
import pytest
import uncertainties
from scipy import stats

from agent.contract.records import BudgetLine
from agent.flow.budget import combined, coverage_factor, line, welch_satterthwaite
from agent.flow.evaporation import DRIFT_U, NOTHING, OPEN, THROUGH_A_HOLE, VOLATILE, WARY, Weights, weighed
from agent.flow.known import Known
from agent.flow.plateaus import stand_in


def test_gauge_block_of_gum_h1() -> None:
    """JCGM 100, H.1.6: standard uncertainties in nm with their dof; 16 effective ones, truncated."""
    parts = ((25.0, 18.0), (9.7, 25.6), (2.9, 50.0), (16.6, 2.0))
    dof = welch_satterthwaite(parts)
    assert dof is not None
    assert math.floor(dof) == 16
    assert math.sqrt(sum(u**2 for u, _ in parts)) == pytest.approx(32.0, abs=1.0)


# Table G.2 of JCGM 100: Student's t.
@pytest.mark.parametrize(
    ("dof", "at_95", "at_9545"),
    [
        (1, 12.71, 13.97),
        (2, 4.30, 4.53),
        (3, 3.18, 3.31),
        (5, 2.57, 2.65),
        (10, 2.23, 2.28),
        (16, 2.12, 2.17),
    ],
)
def test_students_t(dof: int, at_95: float, at_9545: float) -> None:
    assert coverage_factor(dof) == pytest.approx(at_95, abs=0.005)
    assert coverage_factor(dof, 0.9545) == pytest.approx(at_9545, abs=0.005)


def test_infinite_degrees_of_freedom_are_the_normal() -> None:
    assert coverage_factor(None) == pytest.approx(1.960, abs=5e-4)
    assert welch_satterthwaite(((1.0, None), (2.0, None))) is None


def test_a_shot_by_the_law_of_propagation() -> None:
    """Two weighings +-0.05 g and a stopwatch +-0.05 s, rectangles: 0.300 g/min, as `uncertainties` says."""
    first, last = (uncertainties.ufloat(m, 0.05 / math.sqrt(3)) for m in (1250.0, 1400.0))
    watch = uncertainties.ufloat(30.0, 0.05 / math.sqrt(3))
    theirs = 60.0 * (last - first) / watch
    budget = (
        line("readings", 60.0 / 30.0 * math.hypot(first.s, last.s), "B", ""),
        line("timing", 300.0 / 30.0 * watch.s, "B", ""),
    )
    ours = combined(budget)
    assert ours.u == pytest.approx(theirs.s, rel=1e-9)
    assert ours.u == pytest.approx(0.300, abs=8e-3)
    assert ours.expanded == pytest.approx(1.96 * ours.u, rel=1e-4)


def test_three_shots_and_a_systematic_part() -> None:
    """301.2, 299.0, 300.4: s over root 3 with 2 dof, joined with 0.15 of infinitely many (GTC 1.5.1)."""
    s = float(np.std([301.2, 299.0, 300.4], ddof=1)) / math.sqrt(3)
    assert s == pytest.approx(0.642910, abs=1e-6)
    whole = combined((line("readings", s, "A", "", 2.0), line("scale", 0.15, "B", "")))
    assert whole.u == pytest.approx(0.660177, abs=1e-6)
    assert whole.dof == pytest.approx(2.22367, abs=1e-5)
    assert whole.expanded / whole.u == pytest.approx(3.91341, abs=1e-5)


def test_a_part_that_is_not_finite_counts_as_nothing() -> None:
    assert line("drift", math.nan, "A", "") == BudgetLine(
        source="drift", u_g_per_min=0.0, dof=None, kind="A", note=""
    )


@pytest.mark.parametrize("resolution_g", [0.1, 1.0])
def test_a_plateau_of_equal_readings_is_a_rectangle(resolution_g: float) -> None:
    """JCGM 100, 4.3.7: a quiet reading that never changes says d over root 12, however often."""
    found = stand_in(np.linspace(0.0, 10.0, 5), np.full(5, 412.0), resolution_g, 0.03)
    assert found is not None
    assert np.mean(found.mass_g) == pytest.approx(412.0, abs=1e-6 * resolution_g)
    assert found.noise_g / math.sqrt(2.0) == pytest.approx(resolution_g / math.sqrt(12.0), rel=0.08)


RATE = np.linspace(-0.03, 0.15, 360_001)


def by_quadrature(likelihood: np.ndarray, weights: Weights) -> np.ndarray:
    """Posterior on the grid, summing up to 1."""
    nothing, drift, hole, wide = weights
    prior = (
        nothing * stats.norm.pdf(RATE, *NOTHING)
        + drift * stats.norm.pdf(RATE, 0.0, DRIFT_U)
        + hole * stats.expon.pdf(RATE, scale=THROUGH_A_HOLE)
        + wide * stats.expon.pdf(RATE, scale=OPEN)
    )
    posterior = prior * likelihood
    return np.asarray(posterior / posterior.sum())


@pytest.mark.parametrize(("value", "u"), [(0.0, 0.001), (0.003, 0.001), (0.012, 0.004), (-0.002, 0.002)])
def test_the_evaporation_is_the_mean_of_its_posterior(value: float, u: float) -> None:
    """Against numerical integration of likelihood times prior (scipy); the u by the wary weights."""
    likelihood = stats.norm.pdf(value, RATE, u)
    mean = float(by_quadrature(likelihood, VOLATILE) @ RATE)
    wary = by_quadrature(likelihood, WARY)
    found = weighed(Known(value, u), volatile=True)
    assert found.known.value == pytest.approx(mean, abs=2e-6)
    assert found.known.u == pytest.approx(math.sqrt(float(wary @ (RATE - mean) ** 2)), rel=2e-3)
    low, high = found.known.value - found.below, found.known.value + found.above
    assert float(wary[(low <= RATE) & (high >= RATE)].sum()) == pytest.approx(0.95, abs=0.003)
    # The shortest such interval: the points of highest density hold as much in nearly the same length.
    highest = np.sort(wary)[::-1]
    shortest = (int(np.searchsorted(np.cumsum(highest), 0.95)) + 1) * (RATE[1] - RATE[0])
    assert high - low <= 1.02 * shortest


def test_a_slope_that_may_be_no_evaporation_is_a_mixture_of_two_normals() -> None:
    """Against numerical integration (scipy): one in ten windows is off by 0.03 g/s."""
    likelihood = 0.9 * stats.norm.pdf(0.02, RATE, 0.001) + 0.1 * stats.norm.pdf(
        0.02, RATE, math.hypot(0.001, 0.03)
    )
    mean = float(by_quadrature(likelihood, VOLATILE) @ RATE)
    found = weighed(Known(0.02, 0.001), volatile=True, astray=(0.1, 0.03))
    assert found.known.value == pytest.approx(mean, rel=1e-3)


def test_a_rate_seen_before_counts_unless_it_jumped() -> None:
    """Against numerical integration (scipy): 95 % that it is still the same, else both tell of their own."""
    before, window = Known(0.008, 0.0005), Known(0.0065, 0.001)
    same = stats.norm.pdf(window.value, RATE, window.u) * stats.norm.pdf(before.value, RATE, before.u)
    found = weighed(window, volatile=True, before=before)
    assert found.known.value == pytest.approx(float(by_quadrature(same, VOLATILE) @ RATE), rel=0.01)
    jumped = weighed(Known(0.0, 0.0005), volatile=True, before=before)
    assert jumped.known.value < 0.0005
