"""Vibration beside the curve: taken out of the readings, and what of it may pass for a slope."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from agent.detection.window import Floats
from agent.flow.aliases import FEWEST_CYCLES, LINES, slow_waves
from agent.flow.beside import (
    LEFT_OUT_G,
    OFF_CYCLES,
    Waves,
    bent,
    fading,
    fitted,
    together,
    waves_of,
)
from agent.flow.curve import curve_of
from agent.flow.joint import Data, Joint, Prior, fit, with_waves_open
from agent.flow.likeliest import Trial, losses_of
from agent.flow.noise import Kept, spread_by_differences
from agent.flow.readings import Doubt, Left, Readings, settled
from agent.flow.tones import evenly, tones

ROUNDS, LAST_ROUNDS = 2, 2
"""Waves and curve are found in turns, so often; and fitted so often at last."""
MOST_SLOW = 3
PLAIN = 2.0
"""A slow wave is taken out where it is likelier than none by so much: log odds of 7 to 1 (choice of ours)."""
ALIASED = 4.0
"""Slope that a wave slower than any that is looked for fakes at rest, per its size and length."""
FEW = 4


def without_tones(
    readings: Readings,
    mass_g: Floats,
    priors: tuple[Prior, Prior],
    joint: Joint,
    left: Left,
    *,
    volatile: bool,
) -> tuple[Readings, Joint, Left]:
    """The readings `mass_g` without their vibration, the curve fitted to that, and what it leaves over.

    `priors` are that of the curve and that of one that may drip and start slowly. Readings that come unevenly
    do not alias, and are left as they are.
    """
    on = readings.on
    step_s = evenly(on.t_s)
    waves = waves_of(on.t_s, (), fading(on.t_s, joint))
    if step_s is None:
        return readings, joint, left
    for _ in range(ROUNDS):
        kept = left.weight > 0
        curve = bent(priors[0], joint, np.where(kept, left.noise_g, LEFT_OUT_G))
        over = mass_g - curve_of(on, joint.at)
        others = waves_of(on.t_s, waves.slow_hz, fading(on.t_s, joint))
        lines = tones(on.t_s, over - waves.slow_g, step_s, curve.with_waves(others))
        others = waves_of(on.t_s, waves.slow_hz, np.column_stack((others.others, lines)))
        trial = Trial(Data(on, mass_g, curve.noise_g), *priors, joint, others, volatile)
        trial, doubt = _with_slow(trial, readings.rounding_g, readings.doubt.apart_g)
        readings = replace(readings, doubt=doubt)
        if not trial.waves.slow_hz and not lines.size:
            return readings, joint, left
        both = together(Data(on, mass_g, curve.noise_g), priors[0], joint, trial.waves, rounds=1)
        joint, waves = both.joint, both.waves
        readings = _less(readings, mass_g, waves)
        left = readings.left_by(joint, left.spread_g, first=True)
    return readings, joint, left


def beside_vibration(
    readings: Readings, mass_g: Floats, prior: Prior, joint: Joint, left: Left
) -> tuple[Readings, Joint, Left]:
    """The last fit beside the vibration, with its amounts and slow frequencies open in the covariance."""
    waves, on = readings.waves, readings.on
    if waves is None:
        return readings, joint, left
    columns, precision = waves.columns, waves.precision
    if waves.slow_hz:
        data = Data(on, mass_g, np.where(left.weight > 0, left.noise_g, LEFT_OUT_G))
        both = together(data, prior, joint, waves, rounds=LAST_ROUNDS)
        waves = both.waves
        readings = _less(readings, mass_g, waves)
        left = readings.left_by(both.joint, left.spread_g)
        joint = fit(readings.data(left), prior, both.joint.at)
        left = readings.left_by(joint, left.spread_g)
        by = float(np.ptp(on.t_s)) / OFF_CYCLES
        columns = np.column_stack((waves.columns, waves.by_hz(on.t_s)))
        precision = np.concatenate((waves.precision, np.full(len(waves.slow_hz), by**2)))
    return readings, with_waves_open(joint, prior, columns, precision), left


def aliased_to_a_slope(readings: Readings, length_s: float) -> tuple[float, float]:
    """Chance that some vibration passes for a slope, and the slope that it fakes then, g/s."""
    # A slow wave that was not plain, or one with so few cycles that none is looked for.
    t_s, doubt = readings.on.t_s, readings.doubt
    at_rest_s = max(float(np.ptp(t_s)) - length_s, 1.0)
    n = t_s.size * at_rest_s / max(float(np.ptp(t_s)), 1.0)
    slower = min(LINES * FEWEST_CYCLES * 2.0 / n, 0.5) if readings.hum_g > 0.0 else 0.0
    fakes = ALIASED * readings.hum_g / at_rest_s
    chance = slower + doubt.chance
    if chance <= 0.0:
        return 0.0, 0.0
    square = (slower * fakes**2 + doubt.chance * doubt.slope_g_per_s**2) / chance
    return min(chance, 0.5), math.sqrt(square)


def _with_slow(trial: Trial, least_g: float, apart_g: float) -> tuple[Trial, Doubt]:
    # One slow wave after the other, as long as one is plain.
    on, joint = trial.data.on, trial.joint
    rest = settled(on.t_s, joint.at)
    doubt = Doubt(apart_g=apart_g)
    over = trial.data.mass_g - curve_of(on, joint.at)
    kept = trial.data.noise_g < LEFT_OUT_G
    shakes = trial.waves.others.shape[1] > 1
    curve = bent(trial.rough, joint, trial.data.noise_g)
    while len(trial.waves.slow_hz) < MOST_SLOW:
        waves = trial.waves
        amounts, over_all = fitted(waves.columns, waves.precision, over, curve)
        noise = np.where(kept, _local(over_all, (rest & kept, ~rest & kept), least_g), LEFT_OUT_G)
        trial = replace(trial, data=replace(trial.data, noise_g=noise))
        beside = bent(trial.rough, joint, noise).with_waves(waves)
        loss = losses_of(joint, volatile=trial.volatile)
        found = slow_waves(on.t_s, over - waves.columns @ amounts, rest, beside, loss, shakes=shakes)
        odds, choice = found.log_total, None
        if odds > 0.0:
            choice = trial.likeliest(found)
            odds = choice.log_odds
        doubt = replace(
            doubt, chance=1.0 / (1.0 + math.exp(-min(odds, 30.0))), slope_g_per_s=found.fakes_g_per_s
        )
        if choice is None or odds <= PLAIN:
            break
        doubt = replace(doubt, apart_g=math.hypot(doubt.apart_g, choice.apart_g))
        trial = replace(trial, waves=waves_of(on.t_s, choice.slow_hz, waves.others))
    return trial, doubt


def _local(left_g: Floats, parts: tuple[Kept, ...], least_g: float) -> Floats:
    # Differences of neighbours see no slow wave.
    noise = np.full(left_g.size, least_g)
    for part in parts:
        if part.sum() > FEW:
            noise[part] = max(spread_by_differences(left_g[part]), least_g)
    return noise


def _less(readings: Readings, mass_g: Floats, waves: Waves) -> Readings:
    return replace(readings, mass_g=mass_g - waves.sum_g, hum_g=waves.hum_g, waves=waves)
