"""Vibration of the floor or of machines: steady tones in the readings.

A tone is a line in the periodogram of what the curve leaves over. Lines that chance would make less than once
in ten thousand windows (Fisher's test, exponential tail) are fitted by least squares, sine and cosine, one by
one, and the curve with them. Slow waves, towards which the curve bends, are looked for otherwise (`aliases`).
"""

from __future__ import annotations

import numpy as np

from agent.detection.window import Floats
from agent.flow.aliases import SLOW_HZ
from agent.flow.beside import LEFT_OUT_G, Bent, fitted

MOST = 8
LEAST_READINGS = 32
CHANCE = 1e-4
UNEVEN = 0.1
"""Readings whose intervals vary more than this carry no sharp lines."""


def evenly(t_s: Floats) -> float | None:
    """Interval of readings that come evenly, s; None for too few, and others carry no sharp lines."""
    if t_s.size < LEAST_READINGS:
        return None
    steps = np.diff(t_s)
    step = float(np.median(steps))
    if step <= 0 or np.mean(np.abs(steps - step) > UNEVEN * step) > 0.02:
        return None
    return step if t_s[-1] - t_s[0] <= 4 * t_s.size * step else None


def tones(t_s: Floats, over_g: Floats, step_s: float, curve: Bent) -> Floats:
    """Sine and cosine of each line in what a curve leaves over, shape (n, 2 k).

    Readings come every `step_s`.
    """
    kept = curve.noise_g < LEFT_OUT_G
    grid = np.round((t_s - t_s[0]) / step_s).astype(int)
    n = int(grid[-1]) + 1
    hz = np.asarray(np.fft.rfftfreq(4 * n, step_s), dtype=np.float64)
    allowed = (hz >= SLOW_HZ) & (hz <= 0.5 / step_s)
    waves = np.zeros((t_s.size, 0))
    left = over_g * kept
    needed = np.log(t_s.size / CHANCE)
    while waves.shape[1] < 2 * MOST:
        even = np.zeros(n)
        even[grid] = left
        power = np.asarray(np.square(np.abs(np.fft.rfft(even, 4 * n))), dtype=np.float64)
        power[~allowed] = 0.0
        peak = int(np.argmax(power))
        if power[peak] < needed * float(left @ left) or power[peak] == 0.0:
            break
        turn = 2.0 * np.pi * _refined(hz, power, peak) * t_s
        waves = np.column_stack((waves, np.cos(turn), np.sin(turn)))
        left = fitted(waves, np.zeros(waves.shape[1]), over_g, curve)[1] * kept
    return waves


def _refined(hz: Floats, power: Floats, peak: int) -> float:
    # The top of the parabola through three points of the logarithm.
    if not 0 < peak < hz.size - 1 or min(power[peak - 1], power[peak + 1]) <= 0:
        return float(hz[peak])
    left, top, right = np.log(power[peak - 1 : peak + 2])
    bend = left - 2.0 * top + right
    shift = 0.5 * (left - right) / bend if bend < 0 else 0.0
    return float(hz[peak] + np.clip(shift, -0.5, 0.5) * (hz[1] - hz[0]))
