"""Vibration beside the curve: taken out of the readings, and what of it may pass for a slope."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from agent.detection.window import Floats
from agent.flow.curve import AMOUNTS, LENGTH, START, curve_of
from agent.flow.joint import Data, Joint, Prior, fit
from agent.flow.noise import root_mean_square
from agent.flow.readings import SETTLING_S, Left, Readings
from agent.flow.tones import Bent, tones

TONE_ROUNDS = 2
"""Vibration and curve are found in turns, so often."""
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
    t_s, free = readings.on.t_s, np.flatnonzero(prior.u > 0)
    for _ in range(TONE_ROUNDS):
        start, end = joint.at[AMOUNTS + START], joint.at[AMOUNTS + START] + joint.at[AMOUNTS + LENGTH]
        rest = (t_s < start) | (t_s > end + SETTLING_S)
        bent = Bent(joint.slopes[:, free], prior.u[free] ** -2.0, left.noise_g)
        found = tones(t_s, mass_g - curve_of(readings.on, joint.at), left.weight, rest, bent)
        if found is None:
            break
        readings = replace(
            readings, mass_g=mass_g - found.hum_g, hum_g=root_mean_square(found.hum_g), waves=found.waves
        )
        joint = fit(Data(readings.on, readings.mass_g, left.noise_g), prior, joint.at)
        left = readings.left_by(joint, left.noise_g, first=True)
    return readings, joint, left


def aliased_to_a_slope(readings: Readings, length_s: float) -> tuple[float, float]:
    """Chance that the readings alias some vibration to a slow wave, and the slope that it fakes then, g/s."""
    # A line anywhere up to half the sampling rate is slow where it lies within a cycle or two of nothing.
    # Where a floor shakes a slope is doubted: evaporation shows in calm hours, and is known from there.
    t_s = readings.on.t_s
    at_rest_s = max(float(np.ptp(t_s)) - length_s, 1.0)
    n = t_s.size * at_rest_s / max(float(np.ptp(t_s)), 1.0)
    chance = min(LINES * CYCLES * 2.0 / n, 0.5) if readings.hum_g > 0.0 else 0.0
    return chance, ALIASED * readings.hum_g / at_rest_s
