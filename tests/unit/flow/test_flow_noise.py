"""Noise and the shape of a ramp."""

from __future__ import annotations

import numpy as np
import pytest
from drawn_windows import around, drawn, true_g

from agent.flow.measuring import measure
from agent.flow.noise import alikeness, most_of, root_mean_square
from agent.flow.shape import NO_SHAPE, shape_of


def test_white_noise_is_not_alike_and_filtered_noise_is() -> None:
    rng = np.random.default_rng(1)
    white = rng.normal(size=4000)
    assert alikeness(white) < 1.2
    filtered = np.empty_like(white)
    state = 0.0
    for i, value in enumerate(white):
        state += 0.4 * (value - state)
        filtered[i] = state
    # An AR(1) with r = 0.6 has an integrated autocorrelation time of (1 + r)/(1 - r) = 4 (any text on it).
    assert alikeness(filtered) == pytest.approx(4.0, rel=0.25)
    assert alikeness(np.zeros(100)) == 1.0
    assert alikeness(white[:5]) == 1.0


def test_the_least_noise_keeps_four_fifths() -> None:
    residual = np.concatenate((np.zeros(60), np.full(40, 9.0)))
    assert most_of(residual) == pytest.approx(3.0)
    assert most_of(residual[:3]) == 0.0
    assert root_mean_square(np.array([3.0, -3.0, 3.0, -3.0])) == 3.0


def ramp(extra: np.ndarray | float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    t = np.arange(-5.0, 25.0, 0.1)
    noise = np.random.default_rng(4).normal(0.0, 0.03, t.size)
    return t, 2.0 * np.clip(t, 0.0, 20.0) + noise + extra


def test_a_steady_ramp_has_no_runs() -> None:
    t, mass = ramp()
    shape = shape_of(t, mass, 0.01, edges_s=(0.0, 20.0), late_s=0.0)
    assert shape.steady_g_per_s == pytest.approx(2.0, rel=0.02)
    assert shape.runs == ()
    assert np.all(np.abs(shape.tenths) < 0.05)


def test_a_step_lasts_and_a_bump_does_not() -> None:
    t, _ = ramp()
    for extra, lasting in ((5.0 * (t > 9.0), 5.0), (5.0 * (np.abs(t - 9.0) < 0.7), 0.0)):
        shape = shape_of(*ramp(extra), 0.01, edges_s=(0.0, 20.0), late_s=0.0)
        assert shape.runs
        assert sum(run.lasting_g for run in shape.runs) == pytest.approx(lasting, abs=0.4)


def test_too_little_has_no_shape() -> None:
    t, mass = ramp()
    assert shape_of(t[:60], mass[:60], 0.01, edges_s=(0.0, 20.0), late_s=0.0) is NO_SHAPE
    assert shape_of(t, mass, 0.01, edges_s=(20.0, 0.0), late_s=0.0) is NO_SHAPE
    falling = shape_of(t, -mass, 0.01, edges_s=(0.0, 20.0), late_s=0.0)
    assert falling.steady_g_per_s < 0.0
    assert falling.runs == ()


@pytest.mark.parametrize("at_s", [-9.0, 28.0, 31.0])
def test_a_draught_at_rest_is_a_bump_however_alike_the_readings_are(at_s: float) -> None:
    """What it made alike passed for noise of several times the readings' spread, and it for evaporation."""
    errors = []
    for seed in range(4):
        window = drawn(
            push=lambda t: 0.8 * np.sin(np.pi * np.clip((t - at_s) / 2.5, 0.0, 1.0)),
            rate_hz=20.0,
            after_s=14.0,
            seed=seed,
        )
        mass_g = measure(window, around()).mass_g
        assert mass_g is not None
        errors.append(mass_g / true_g(2.0, 20.0) - 1.0)
    assert np.sqrt(np.mean(np.square(errors))) < 6e-4
