"""A vibration that the scale samples too rarely: it shows as a slow wave, which passes for evaporation.

Such a wave has no more than a few cycles in a window, and the curve bends towards it. So it is looked for
beside the curve: for each frequency sine and cosine are freed of what the curve could explain, and what they
then take from the sum of squares is a score test with two degrees of freedom (Rao 1948). The readings at rest
must show it by themselves, for a flow that surges makes waves as well.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from agent.detection.window import Floats

FEWEST_CYCLES, MOST_CYCLES, STEP = 0.4, 4.0, 0.125
"""Cycles in a window: below it is a slope and a bend, above a line like others (`tones`)."""
WORTH, WORTH_AT_REST = 16.0, 6.0
"""What a wave takes from the sum of squares, in variances (choice of ours: chance alone seldom makes 15)."""


def slow_wave(
    t_s: Floats, residual_g: Floats, noise_g: Floats, rest: NDArray[np.bool_], curve: tuple[Floats, Floats]
) -> float | None:
    """Frequency of the slow wave that the readings show, Hz; None where they show none.

    `noise_g` is infinite for readings that were left out. `curve` has the slopes of the fitted curve, shape
    (n, m), and the precision of what was known of its parameters before, shape (m,).
    """
    hz = np.arange(FEWEST_CYCLES, MOST_CYCLES + STEP / 2, STEP) / max(float(t_s[-1] - t_s[0]), 1.0)
    everywhere = _gains(t_s, residual_g, noise_g, curve, hz)
    if everywhere.max() < WORTH:
        return None
    # At rest the curve is a level before, another after, and one loss.
    after = t_s > t_s[rest].mean()
    plain = np.column_stack((~after, after, t_s - t_s.mean()))[rest]
    at_rest = _gains(t_s[rest], residual_g[rest], noise_g[rest], (plain, np.full(3, 1e-6)), hz)
    seen = np.where(at_rest > WORTH_AT_REST, everywhere, 0.0)
    at = int(np.argmax(seen))
    return float(hz[at]) if seen[at] >= WORTH else None


def _gains(
    t_s: Floats, residual_g: Floats, noise_g: Floats, curve: tuple[Floats, Floats], hz: Floats
) -> Floats:
    slopes, precision = curve
    if t_s.size < 8:
        return np.zeros(hz.size)
    turn = 2.0 * np.pi * np.outer(t_s, hz)
    waves = np.concatenate((np.cos(turn), np.sin(turn)), axis=1) / noise_g[:, None]
    told, left = slopes / noise_g[:, None], residual_g / noise_g
    back = np.linalg.pinv(told.T @ told + np.diag(precision), hermitian=True)
    own, pull = waves - told @ (back @ (told.T @ waves)), left - told @ (back @ (told.T @ left))
    cos, sin = own[:, : hz.size], own[:, hz.size :]
    a, b, c = np.sum(cos * cos, axis=0), np.sum(cos * sin, axis=0), np.sum(sin * sin, axis=0)
    x, y = pull @ cos, pull @ sin
    determinant = np.maximum(a * c - b * b, 1e-9 * a * c + 1e-30)
    return np.asarray((c * x * x - 2.0 * b * x * y + a * y * y) / determinant)
