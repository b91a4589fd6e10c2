"""Vibration of the floor or of machines: steady tones in the readings, found and taken out.

A tone is a line in the periodogram of what the curve leaves over. Lines that chance would make less than
once in
ten thousand windows (Fisher's test, exponential tail) are fitted by least squares, sine and cosine, one
after the
other. Slow waves are left alone: they cannot be told from liquid.
"""

from __future__ import annotations

import numpy as np

from agent.detection.window import Floats

MOST = 8
LOWEST_HZ = 0.4
LEAST_READINGS = 32
CHANCE = 1e-4
UNEVEN = 0.1
"""Readings whose intervals vary more than this carry no sharp lines."""


def tones(t_s: Floats, residual_g: Floats, weight: Floats) -> Floats:
    """The tones in a residual at the readings' times, shape (n,); zeros where there are none."""
    found = np.zeros_like(residual_g)
    if t_s.size < LEAST_READINGS:
        return found
    steps = np.diff(t_s)
    step = float(np.median(steps))
    if step <= 0 or np.mean(np.abs(steps - step) > UNEVEN * step) > 0.02:
        return found
    grid = np.round((t_s - t_s[0]) / step).astype(int)
    if grid[-1] > 4 * t_s.size:
        return found
    kept = weight > 0
    size = 4 * (int(grid[-1]) + 1)
    hz = np.asarray(np.fft.rfftfreq(size, step), dtype=np.float64)
    allowed = (hz >= LOWEST_HZ) & (hz <= 0.5 / step)
    if not allowed.any():
        return found
    columns: list[Floats] = []
    left = residual_g * kept
    needed = np.log(t_s.size / CHANCE)
    for _ in range(MOST):
        even = np.zeros(int(grid[-1]) + 1)
        even[grid] = left
        power = np.asarray(np.square(np.abs(np.fft.rfft(even, size))), dtype=np.float64)
        power[~allowed] = 0.0
        peak = int(np.argmax(power))
        if power[peak] < needed * float(left @ left):
            break
        turn = 2.0 * np.pi * _refined(hz, power, peak) * t_s
        columns += [np.cos(turn), np.sin(turn)]
        design = np.column_stack(columns)
        amounts = np.linalg.lstsq(design[kept], residual_g[kept], rcond=None)[0]
        found = design @ amounts
        left = (residual_g - found) * kept
    return found


def _refined(hz: Floats, power: Floats, peak: int) -> float:
    # The top of the parabola through three points of the logarithm.
    if not 0 < peak < hz.size - 1 or min(power[peak - 1], power[peak + 1]) <= 0:
        return float(hz[peak])
    left, top, right = np.log(power[peak - 1 : peak + 2])
    bend = left - 2.0 * top + right
    shift = 0.5 * (left - right) / bend if bend < 0 else 0.0
    return float(hz[peak] + np.clip(shift, -0.5, 0.5) * (hz[1] - hz[0]))
