"""Vibration of the floor or of machines: steady tones in the readings, found and taken out.

A tone is a line in the periodogram of what the curve leaves over. Lines that chance would make less than once
in ten thousand windows (Fisher's test, exponential tail) are fitted by least squares, sine and cosine, one by
one, and the curve with them: it had bent towards the slow ones. What a scale samples too rarely it shows as a
slow wave (an alias). A slow line counts only where the readings at rest show it by themselves, for a flow
that surges makes waves as well; still slower ones are left alone: they cannot be told from liquid.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from agent.detection.window import Floats

MOST = 8
SURGES_HZ, LEAST_CYCLES = 0.4, 2.5
"""Below this a line must be seen at rest as well; with fewer cycles in the window none is looked for."""
LEAST_READINGS = 32
CHANCE = 1e-4
UNEVEN = 0.1
"""Readings whose intervals vary more than this carry no sharp lines."""


@dataclass(frozen=True, slots=True, eq=False)
class Bent:
    """A fitted curve that may bend towards a tone, and is bent back. Shapes (n, m), (m,), (n,)."""

    slopes: Floats
    precision: Floats
    noise_g: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Tones:
    """Tones found in a window."""

    hum_g: Floats
    """Their sum at the readings' times, shape (n,)."""
    waves: Floats
    """Sine and cosine of each, shape (n, 2 k)."""


def tones(
    t_s: Floats, residual_g: Floats, weight: Floats, rest: NDArray[np.bool_], curve: Bent
) -> Tones | None:
    """The tones in what a curve leaves over, None where there are none.

    `rest` says which readings were taken while nothing flowed, shape (n,).
    """
    if t_s.size < LEAST_READINGS:
        return None
    steps = np.diff(t_s)
    step = float(np.median(steps))
    if step <= 0 or np.mean(np.abs(steps - step) > UNEVEN * step) > 0.02:
        return None
    grid = np.round((t_s - t_s[0]) / step).astype(int)
    if grid[-1] > 4 * t_s.size:
        return None
    kept = weight > 0
    size = 4 * (int(grid[-1]) + 1)
    hz = np.asarray(np.fft.rfftfreq(size, step), dtype=np.float64)
    apart = 1.0 / (step * float(grid[-1] + 1))
    allowed = (hz >= LEAST_CYCLES * apart) & (hz <= 0.5 / step)
    found: Tones | None = None
    turns: list[Floats] = []
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
        if hz[peak] < SURGES_HZ and not _seen(t_s, left * rest, float(hz[peak]), needed):
            allowed &= np.abs(hz - hz[peak]) > apart
            continue
        turns.append(2.0 * np.pi * _refined(hz, power, peak) * t_s)
        waves = np.column_stack([wave(turn) for turn in turns for wave in (np.cos, np.sin)])
        found, left = _fitted(waves, residual_g, kept, curve)
    return found


def beside(waves: Floats, residual_g: Floats, kept: NDArray[np.bool_], curve: Bent) -> Tones:
    """Waves, shape (n, 2 k), fitted to what a curve leaves over, the curve bent back by it."""
    return _fitted(waves, residual_g, kept, curve)[0]


def _fitted(waves: Floats, residual_g: Floats, kept: NDArray[np.bool_], curve: Bent) -> tuple[Tones, Floats]:
    # Tones and the curve's own amounts together, the latter held by what is known of them.
    k = waves.shape[1]
    whole = np.column_stack((waves, curve.slopes))[kept] / curve.noise_g[kept, None]
    held = np.zeros((curve.precision.size, whole.shape[1]))
    held[:, k:] = np.diag(np.sqrt(curve.precision))
    target = np.concatenate((residual_g[kept] / curve.noise_g[kept], np.zeros(curve.precision.size)))
    amounts = np.linalg.lstsq(np.vstack((whole, held)), target, rcond=None)[0]
    found = Tones(waves @ amounts[:k], waves)
    return found, (residual_g - found.hum_g - curve.slopes @ amounts[k:]) * kept


def _seen(t_s: Floats, left: Floats, hz: float, needed: float) -> bool:
    turn = 2.0 * np.pi * hz * t_s
    power = float(left @ np.cos(turn)) ** 2 + float(left @ np.sin(turn)) ** 2
    return power >= needed * float(left @ left)


def _refined(hz: Floats, power: Floats, peak: int) -> float:
    # The top of the parabola through three points of the logarithm.
    if not 0 < peak < hz.size - 1 or min(power[peak - 1], power[peak + 1]) <= 0:
        return float(hz[peak])
    left, top, right = np.log(power[peak - 1 : peak + 2])
    bend = left - 2.0 * top + right
    shift = 0.5 * (left - right) / bend if bend < 0 else 0.0
    return float(hz[peak] + np.clip(shift, -0.5, 0.5) * (hz[1] - hz[0]))
