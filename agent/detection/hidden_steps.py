"""Small steps within a steady ramp: a line and a step fitted together, two seconds on either side."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from agent.detection.blocks import FLOWS, SIDE_S, Blocks, Disturbance
from agent.detection.window import Floats

HIDDEN_GAP_S = 0.5
"""A step is smeared over about this time on either side by the scale's filter."""
MANY_STEPS = 3
"""A container is moved once; steps that come again and again are a shaking floor seen at the scale's rate."""
STEP = 0.7
"""A step within a ramp is one from so many seconds of its flow on."""
PAUSE = 2.0
"""Air in the line interrupts a flow for no longer: a fall by more seconds of it is a moved container's."""


def hidden_steps(blocks: Blocks) -> list[Disturbance]:
    """Steps within a steady ramp that are too small to stand out between neighbours.

    None where they come again and again, and none where messages that were held up look the same.
    """
    if blocks.late_s > 0.0:
        return []
    steps = _all_steps(blocks)
    return steps if len(steps) < MANY_STEPS else []


def _all_steps(blocks: Blocks) -> list[Disturbance]:
    t, m = blocks.t_s, blocks.mass_g
    step_s = float(np.median(np.diff(t)))
    side = max(3, round(SIDE_S / step_s))
    gap = max(1, round(HIDDEN_GAP_S / step_s))
    n = 2 * (side + gap) + 1
    if t.size < n:
        return []
    x = np.arange(n) - (n - 1) / 2
    used = np.abs(x) > gap
    design = np.column_stack([np.ones(n), x * step_s, x > 0])[used]
    solve = np.linalg.pinv(design)
    windows = np.lib.stride_tricks.sliding_window_view(m, n)[:, used]
    times = np.lib.stride_tricks.sliding_window_view(t, n)
    # Uneven times are made even along the slope.
    uneven_s = (times - times[:, [n // 2]] - x * step_s)[:, used]
    windows = windows - (windows @ solve[1])[:, None] * uneven_s
    fitted = windows @ solve.T
    spread = np.sqrt(np.mean((windows - fitted @ design.T) ** 2, axis=1))
    left = _side_slopes(windows[:, :side], step_s)
    right = _side_slopes(windows[:, side:], step_s)
    slope, step = fitted[:, 1], fitted[:, 2]
    whole = np.max(np.diff(times, axis=1), axis=1) < 2.5 * step_s
    steady = np.minimum(left, right) > FLOWS * blocks.limits.slowest_g_per_s
    steady &= np.abs(left - right) < 0.15 * slope
    steady &= spread < np.maximum(0.05 * slope, max(2.0 * blocks.noise_g, 0.5 * blocks.limits.resolution_g))
    least_g = max(10.0 * blocks.limits.resolution_g, 12.0 * blocks.noise_g)
    large = np.abs(step) > np.maximum(STEP * slope, least_g)
    return _peaks(t[(n - 1) // 2 :], np.where(whole & steady & large, step, 0.0), slope)


def _side_slopes(windows: NDArray[np.float64], step_s: float) -> Floats:
    x = (np.arange(windows.shape[1]) - (windows.shape[1] - 1) / 2) * step_s
    return np.asarray(windows @ x / (x @ x), dtype=np.float64)


def _peaks(t: Floats, step: Floats, slope: Floats) -> list[Disturbance]:
    found: list[Disturbance] = []
    step = step.copy()
    while step.size and np.any(step):
        at = int(np.argmax(np.abs(step)))
        when, size = float(t[at]), float(step[at])
        pause = -PAUSE * float(slope[at]) < size < 0.0
        found.append(Disturbance(when - HIDDEN_GAP_S, when + HIDDEN_GAP_S, size, size, pause=pause))
        step[np.abs(t[: step.size] - when) < SIDE_S] = 0.0
    return found
