"""Vibration beside the curve: taken out of the readings, and what of it may pass for a slope."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from agent.detection.window import Floats
from agent.flow.aliases import slow_wave
from agent.flow.curve import LOSS, curve_of
from agent.flow.joint import Joint, Prior, fit, with_waves_open
from agent.flow.noise import root_mean_square
from agent.flow.readings import Left, Readings, settled
from agent.flow.tones import Bent, Tones, beside, tones

TONE_ROUNDS = 2
"""Vibration and curve are found in turns, so often."""
PLAIN_LOSS = 3.0
"""From so many standard uncertainties on a loss is looked at twice."""
ALIASED = 4.0
"""Slope that a slow wave fakes at rest, per its size and length: lines like those seen may alias to it."""
LINES, CYCLES = 8.0, 2.0
"""So many lines that were not seen (two, as many of their overtones, each with its beat; choice of ours);
aliased to fewer cycles than this they pass for a slope."""


def without_tones(
    readings: Readings, mass_g: Floats, prior: Prior, joint: Joint, left: Left
) -> tuple[Readings, Joint, Left]:
    """The readings `mass_g` without their tones, the curve fitted to that, and what it leaves over."""
    # Once more from the curve without them: the first one bent towards a slow wave.
    t_s = readings.on.t_s
    for _ in range(TONE_ROUNDS):
        over = mass_g - curve_of(readings.on, joint.at)
        found = tones(t_s, over, left.weight, settled(t_s, joint.at), _bent(prior, joint, left))
        if found is None:
            break
        readings = _less(readings, mass_g, found)
        joint = fit(readings.data(left), prior, joint.at)
        left = readings.left_by(joint, left.spread_g, first=True)
    return readings, joint, left


def beside_vibration(
    readings: Readings, mass_g: Floats, prior: Prior, joint: Joint, left: Left
) -> tuple[Readings, Joint, Left]:
    """The fit with the amounts of the tones left open in its covariance.

    A plain loss is looked at twice: where a slow wave was taken for it, that is taken out as well.
    """
    waves = readings.waves
    if waves is None:
        return readings, joint, left
    if abs(joint.at[LOSS]) > PLAIN_LOSS * math.sqrt(joint.covariance[LOSS, LOSS]):
        t_s, bent = readings.on.t_s, _bent(prior, joint, left)
        noise = np.where(left.weight > 0, left.noise_g, np.inf)
        curve = bent.slopes, bent.precision
        hz = slow_wave(t_s, left.residual_g, noise, settled(t_s, joint.at), curve)
        if hz is not None:
            turn = 2.0 * np.pi * hz * t_s
            waves = np.column_stack((waves, np.cos(turn), np.sin(turn)))
            over = mass_g - curve_of(readings.on, joint.at)
            found = beside(waves, over, left.weight > 0, bent)
            readings = _less(readings, mass_g, found)
            joint = fit(readings.data(left), prior, joint.at)
            left = readings.left_by(joint, left.spread_g)
    return readings, with_waves_open(joint, prior, waves), left


def _bent(prior: Prior, joint: Joint, left: Left) -> Bent:
    free = np.flatnonzero(prior.u > 0)
    return Bent(joint.slopes[:, free], prior.u[free] ** -2.0, left.noise_g)


def _less(readings: Readings, mass_g: Floats, found: Tones) -> Readings:
    hum_g = root_mean_square(found.hum_g)
    return replace(readings, mass_g=mass_g - found.hum_g, hum_g=hum_g, waves=found.waves)


def aliased_to_a_slope(readings: Readings, length_s: float) -> tuple[float, float]:
    """Chance that the readings alias some vibration to a slow wave, and the slope that it fakes then, g/s."""
    # A line anywhere up to half the sampling rate is slow where it lies within a cycle or two of nothing.
    # Where a floor shakes a slope is doubted: evaporation shows in calm hours, and is known from there.
    t_s = readings.on.t_s
    at_rest_s = max(float(np.ptp(t_s)) - length_s, 1.0)
    n = t_s.size * at_rest_s / max(float(np.ptp(t_s)), 1.0)
    chance = min(LINES * CYCLES * 2.0 / n, 0.5) if readings.hum_g > 0.0 else 0.0
    return chance, ALIASED * readings.hum_g / at_rest_s
