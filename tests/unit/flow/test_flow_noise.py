"""Noise, vibration and the shape of a ramp."""

from __future__ import annotations

import numpy as np
import pytest
from drawn_windows import around, drawn, true_g

from agent.flow.aliases import slow_wave
from agent.flow.measuring import measure
from agent.flow.noise import alikeness, most_of, root_mean_square
from agent.flow.shape import NO_SHAPE, shape_of
from agent.flow.tones import Bent, Tones, tones


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


def toned(t: np.ndarray, residual: np.ndarray, weight: np.ndarray | None = None) -> Tones | None:
    """Tones beside a curve that is a line, in a window whose middle third is no rest."""
    line = np.column_stack((np.ones_like(t), t - t.mean()))
    third = np.ptp(t) / 3
    rest = (t < t[0] + third) | (t > t[-1] - third)
    bent = Bent(line, np.full(2, 1e-6), np.full(t.size, 0.05))
    return tones(t, residual, np.ones(t.size) if weight is None else weight, rest, bent)


@pytest.mark.parametrize("hz", [0.13, 0.9, 2.37, 4.6])
def test_a_tone_is_found_and_taken_out(hz: float) -> None:
    rng = np.random.default_rng(2)
    t = np.arange(0.0, 40.0, 0.1)
    tone = 1.5 * np.sin(2 * np.pi * hz * t + 0.3)
    noise = rng.normal(0.0, 0.05, t.size)
    weight = np.ones(t.size)
    weight[50:55] = 0.0
    found = toned(t, tone + noise + 30.0 * (weight == 0), weight)
    assert found is not None
    assert root_mean_square(found.hum_g - tone) < 0.02 * (1 if hz > 0.4 else 5)


def test_a_curve_that_bent_towards_a_slow_tone_is_bent_back() -> None:
    t = np.arange(0.0, 40.0, 0.1)
    tone = 0.3 * np.sin(2 * np.pi * 0.13 * t + 0.3)
    bent = np.polyval(np.polyfit(t, tone, 1), t)
    found = toned(t, tone - bent + np.random.default_rng(5).normal(0.0, 0.02, t.size))
    assert found is not None
    # What the line took of the tone is the tone's again.
    assert root_mean_square(found.hum_g - tone) < 0.5 * root_mean_square(bent - bent.mean())


def aliased(wave: np.ndarray, t: np.ndarray) -> float | None:
    """The slow wave beside a line in readings with noise of 0.05 g, the line bent towards it."""
    line = np.column_stack((np.ones_like(t), t - t.mean()))
    shown = wave + np.random.default_rng(7).normal(0.0, 0.05, t.size)
    left = shown - np.polyval(np.polyfit(t, shown, 1), t)
    rest = (t < 15.0) | (t > 35.0)
    return slow_wave(t, left, np.full(t.size, 0.05), rest, (line, np.full(2, 1e-6)))


@pytest.mark.parametrize("cycles", [0.8, 1.3, 2.6])
def test_a_wave_of_a_cycle_or_two_is_found_beside_a_line(cycles: float) -> None:
    t = np.arange(0.0, 50.0, 0.1)
    hz = aliased(0.2 * np.sin(2 * np.pi * cycles / 50.0 * t + 0.7), t)
    assert hz is not None
    assert hz * 50.0 == pytest.approx(cycles, abs=0.4)


def test_noise_a_line_and_a_flow_that_surges_are_no_slow_wave() -> None:
    t = np.arange(0.0, 50.0, 0.1)
    surging = np.where((t > 15.0) & (t < 35.0), 0.2 * np.sin(2 * np.pi * 0.05 * (t - 15.0)), 0.0)
    for other in (np.zeros_like(t), -0.01 * t, surging):
        assert aliased(other, t) is None


def test_a_slow_wave_of_the_flow_alone_is_no_vibration() -> None:
    t = np.arange(0.0, 60.0, 0.1)
    surging = np.where((t > 21.0) & (t < 39.0), 0.4 * np.sin(2 * np.pi * 0.2 * t), 0.0)
    assert toned(t, surging + np.random.default_rng(6).normal(0.0, 0.02, t.size)) is None


def test_noise_slow_waves_and_uneven_times_are_left_alone() -> None:
    rng = np.random.default_rng(3)
    t = np.arange(0.0, 40.0, 0.1)
    white = rng.normal(0.0, 0.05, t.size)
    assert toned(t, white) is None
    assert toned(t, np.sin(2 * np.pi * 0.03 * t)) is None
    uneven = np.sort(rng.uniform(0.0, 40.0, t.size))
    assert toned(uneven, np.sin(2 * np.pi * 2.0 * uneven)) is None
    assert toned(t[:10], white[:10]) is None


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
