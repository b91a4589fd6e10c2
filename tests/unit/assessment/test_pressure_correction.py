"""Flow brought to the setpoint, and the exponent learned per gun."""

from __future__ import annotations

import math

import numpy as np
import pytest
from uncertainties import ufloat

from agent.assessment.pressure import PressurePoint, learn_exponent, to_setpoint


def test_uncertainty_agrees_with_the_uncertainties_library() -> None:
    flow, pot, exponent = ufloat(97.0, 0.3), ufloat(0.46, 0.005), ufloat(0.52, 0.03)
    reference = flow * (0.5 / pot) ** exponent
    seen = to_setpoint(97.0, 0.3, 0.46, 0.005, 0.5, exponent=0.52, u_exponent=0.03)
    assert seen.flow == pytest.approx(reference.nominal_value, rel=1e-12)
    assert seen.u == pytest.approx(reference.std_dev, rel=1e-9)


@pytest.mark.parametrize(("pot", "refused"), [(0.36, False), (0.34, True), (0.79, True), (0.77, False)])
def test_no_correction_beyond_20_percent(pot: float, refused: bool) -> None:
    assert to_setpoint(100, 0.3, pot, 0.005, 0.5).refused is refused


@pytest.mark.parametrize("pot", [0.0, -0.1, math.nan, math.inf])
def test_no_correction_from_an_impossible_pressure(pot: float) -> None:
    corrected = to_setpoint(100, 0.3, pot, 0.005, 0.5)
    assert (corrected.flow, corrected.u) == (None, None)
    assert corrected.reason


def points(rng: np.random.Generator, exponent: float, spread: float, n: int = 40) -> list[PressurePoint]:
    made = []
    for i in range(n):
        like, level = ("a", 100.0) if i % 3 else ("b", 130.0)
        p = 0.5 * (1 + spread * rng.uniform(-1, 1))
        flow = level * (p / 0.5) ** exponent * (1 + 0.0005 * i) * (1 + 0.003 * rng.standard_normal())
        made.append(PressurePoint(1.9e9 + i * 28800, flow, 0.3, p, like))
    return made


def test_steady_pressure_teaches_nothing() -> None:
    learned = learn_exponent(points(np.random.default_rng(1), 0.7, 0.005), 0.5, 0.02)
    assert (learned.value, learned.u, learned.learned) == (0.5, 0.02, False)


def test_few_points_teach_nothing() -> None:
    assert not learn_exponent(points(np.random.default_rng(1), 0.7, 0.2, n=5)).learned
    assert not learn_exponent([]).learned


@pytest.mark.parametrize("exponent", [0.45, 0.5, 0.6, 0.7])
def test_varying_pressure_teaches_the_exponent(exponent: float) -> None:
    """With a gun that wears meanwhile, at two sets of like conditions; the interval is honest."""
    inside = 0
    for seed in range(100):
        learned = learn_exponent(points(np.random.default_rng(seed), exponent, 0.08))
        assert learned.learned
        inside += abs(learned.value - exponent) < 1.96 * learned.u
    assert inside >= 88
