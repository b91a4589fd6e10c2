"""Vibration beside a curve: lines, slow waves that the scale samples too rarely, and what they leave open."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from drawn_windows import around, drawn
from second_physics import KINDS, played

from agent.flow.aliases import Losses, slow_waves
from agent.flow.beside import LEFT_OUT_G, Bent
from agent.flow.curve import AMOUNTS, LOG_LAG, LOSS, SIZE, axis, curve_of, dispensed_gradient
from agent.flow.estimate import estimate
from agent.flow.joint import Data, Prior, fit, with_waves_open
from agent.flow.measuring import measure
from agent.flow.noise import root_mean_square
from agent.flow.parts import parts_of
from agent.flow.tones import evenly, tones


def line_beside(t: np.ndarray) -> Bent:
    """A level and a loss that may bend, in readings with noise of 0.05 g."""
    columns = np.column_stack((np.ones_like(t), t.mean() - t))
    return Bent(columns, np.full(2, 1e-6), np.full(t.size, 0.05), np.zeros(2))


def toned(t: np.ndarray, over: np.ndarray, kept: np.ndarray | None = None) -> np.ndarray:
    """Lines beside a line."""
    step = evenly(t)
    assert step is not None
    curve = line_beside(t)
    if kept is not None:
        curve.noise_g[~kept] = LEFT_OUT_G
    return tones(t, over, step, curve)


@pytest.mark.parametrize("hz", [0.9, 2.37, 4.6])
def test_a_tone_is_found(hz: float) -> None:
    rng = np.random.default_rng(2)
    t = np.arange(0.0, 40.0, 0.1)
    tone = 1.5 * np.sin(2 * np.pi * hz * t + 0.3)
    kept = np.ones(t.size, dtype=bool)
    kept[50:55] = False
    over = tone + rng.normal(0.0, 0.05, t.size) + 30.0 * ~kept
    waves = toned(t, over, kept)
    assert waves.shape[1] == 2
    amounts = np.linalg.lstsq(waves[kept], over[kept], rcond=None)[0]
    assert root_mean_square(waves @ amounts - tone) < 0.02


def test_noise_and_slow_waves_are_no_tones_and_uneven_times_carry_none() -> None:
    rng = np.random.default_rng(3)
    t = np.arange(0.0, 40.0, 0.1)
    white = rng.normal(0.0, 0.05, t.size)
    assert toned(t, white).shape[1] == 0
    assert toned(t, np.sin(2 * np.pi * 0.03 * t)).shape[1] == 0
    assert evenly(np.sort(rng.uniform(0.0, 40.0, t.size))) is None
    assert evenly(t[:10]) is None


def log_odds(wave: np.ndarray, t: np.ndarray) -> tuple[float, float]:
    """Log odds of a slow wave in readings with noise of 0.05 g beside a line, and its cycles there."""
    shown = wave + np.random.default_rng(7).normal(0.0, 0.05, t.size)
    slope, level = np.polyfit(t, shown, 1)
    rest = (t < 15.0) | (t > 35.0)
    loss = Losses(-float(slope), volatile=True)
    found = slow_waves(t, shown - level - slope * t, rest, line_beside(t), loss, shakes=False)
    return found.log_total, found.likeliest_hz()[0] * float(np.ptp(t))


@pytest.mark.parametrize("cycles", [0.8, 1.3, 2.6, 5.2])
def test_a_wave_of_a_few_cycles_is_found_beside_a_line(cycles: float) -> None:
    t = np.arange(0.0, 50.0, 0.1)
    odds, found = log_odds(0.2 * np.sin(2 * np.pi * cycles / 50.0 * t + 0.7), t)
    assert odds > 3.0
    assert found == pytest.approx(cycles, abs=0.4)


def test_noise_an_open_container_and_a_flow_that_surges_are_no_slow_wave() -> None:
    t = np.arange(0.0, 50.0, 0.1)
    surging = np.where((t > 15.0) & (t < 35.0), 0.2 * np.sin(2 * np.pi * 0.05 * (t - 15.0)), 0.0)
    for other in (np.zeros_like(t), -0.01 * t, surging):
        assert log_odds(other, t)[0] < 0.0


@pytest.mark.parametrize(("hz", "phase"), [(9.975, 0.5), (10.03, 2.0), (19.965, 4.0)])
def test_a_vibration_that_is_sampled_too_rarely_is_no_evaporation(hz: float, phase: float) -> None:
    window = drawn(push=lambda t: 0.6 * np.sin(2 * np.pi * hz * t + phase), lag_s=0.02, jet_g=0.0)
    measured = measure(window, around())
    assert measured.flow is not None
    assert measured.flow_g_per_min is not None
    assert measured.flow_g_per_min == pytest.approx(120.0, rel=0.004)
    assert abs(measured.flow_g_per_min - 120.0) < 1.2 * max(measured.flow.below, measured.flow.above)


def fading(grams: float, lag_s: float) -> Callable[[np.ndarray], np.ndarray]:
    """A floor that shakes, and what a scale's filter still held when the window began."""
    return lambda t: grams * np.exp(-(t + 10.0) / lag_s) + 0.5 * np.sin(2 * np.pi * 3.3 * t)


def test_what_a_scale_still_settles_when_the_window_begins_is_no_loss() -> None:
    off = []
    for seed in range(1, 5):
        without, beside = (
            estimate(
                drawn(
                    push=fading(grams, 0.5), lag_s=0.5, noise_g=0.04, resolution_g=0.01, jet_g=0.0, seed=seed
                ),
                around(0.01),
            ).amount(LOSS)
            for grams in (0.0, 0.4)
        )
        off.append((beside.value - without.value) / without.u)
    assert abs(float(np.mean(off))) < 1.5


def test_the_parts_of_the_uncertainty_beside_waves_are_the_whole() -> None:
    t = np.arange(-8.0, 25.0, 0.1)
    on = axis(t, 6.0, 10.0)
    at, u = np.zeros(SIZE), np.zeros(SIZE)
    at[3], at[AMOUNTS + 1], at[AMOUNTS + LOG_LAG] = 2.0, 12.0, math.log(0.2)
    u[[0, 1, 3, 5]] = 10.0, 0.05, 10.0, 1.0
    u[[AMOUNTS, AMOUNTS + 1]] = 0.1, 0.05
    prior = Prior(at, u)
    data = Data(on, curve_of(on, at), np.full(t.size, 0.05))
    turn = 2.0 * np.pi * 1.3 / 33.0 * t
    waves = np.column_stack((np.cos(turn), np.sin(turn)))
    joint = with_waves_open(fit(data, prior, at), prior, waves, np.full(2, 4.0))
    gradient = dispensed_gradient(joint.at)
    by_all = joint.covariance @ gradient
    along = float(by_all[LOSS]) / math.sqrt(joint.covariance[LOSS, LOSS])
    parts = parts_of(joint, prior, data, by_all, d=0.01, drift=(along, along, along), apart_g=0.0)
    sizes = parts.readings_g, parts.rounding_g, parts.drift_g, parts.timing_g, parts.shape_g
    assert math.hypot(*sizes) == pytest.approx(math.sqrt(float(gradient @ by_all)), rel=0.02)


@pytest.mark.parametrize("number", [3, 14])
def test_a_draught_over_an_open_container_is_no_slow_wave(number: int) -> None:
    # A wave taken out of it took the evaporation along: a hundredth of the flow.
    shot = played(np.random.default_rng([3, KINDS.index("gusts"), number]), "gusts")
    measured = measure(shot.window, shot.around)
    assert measured.flow_g_per_min == pytest.approx(shot.true_flow_g_per_min, rel=0.005)
