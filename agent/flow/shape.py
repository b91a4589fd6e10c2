"""What a dispense looked like beyond its grams: steadiness, breaks in the flow, steps, disturbance.

The ramp is cut into blocks of half a second or more; the change from the median of one block to that of the
next is the flow between them. Medians forgive bumps and late time stamps, and what a bump gives it takes
back: only runs of odd blocks with a lasting gain or loss count.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from agent.detection.window import Floats
from agent.flow.noise import spread_by_differences

BLOCK_S = 0.5
BLOCK_READINGS = 4
BLOCK_STEPS = 4.0
"""A block is at least so many seconds, readings, and steps of the scale's resolution long."""
MOST_BLOCKS, MANY_BLOCKS = 120, 24
ROUNDED_D = 0.2
"""What rounding leaves of a block's median, in steps of the scale."""
BESIDE = 3
"""So many blocks on either side of a run say what it left behind."""
ODD_REL = 0.3
"""A flow between two blocks is odd if it is so far off the steady one."""
EDGE_S = 1.5
"""What the lag of a scale and the jet's force may hide of the beginning."""
TAIL_NOISES = 3.0
"""A bump's tail is over once it is within so many times the noise."""
SLOW_EDGE_S, LAGS = 2.5, 5.0
"""The same on a slow scale: so many lags, and no longer than this."""


@dataclass(frozen=True, slots=True)
class Run:
    """A run of blocks whose flow is odd."""

    from_s: float
    to_s: float
    lasting_g: float
    """What it added to the straight line, or took from it when negative, and did not give back."""
    u_g: float
    extreme: float
    """Largest deviation of the flow from the steady one, over the steady one."""


@dataclass(frozen=True, slots=True, eq=False)
class Shape:
    """The ramp in blocks."""

    steady_g_per_s: float
    """Median flow between blocks."""
    runs: tuple[Run, ...]
    tenths: Floats
    """Relative deviation of each tenth's flow from the mean; empty where there are too few readings."""
    u_tenths: Floats


NO_SHAPE = Shape(0.0, (), np.zeros(0), np.zeros(0))


def shape_of(
    t_s: Floats,
    mass_g: Floats,
    resolution_g: float,
    *,
    edges_s: tuple[float, float],
    late_s: float,
    lag_s: float = 0.0,
) -> Shape:
    """Look at the ramp's sound readings from the first to the second of `edges_s`.

    `late_s` is how late a reading's time stamp may be, seconds: 0 where the scale stamps them. `lag_s` is
    the scale's time constant; what it holds back of a steady flow is to be given back before.
    """
    start_s, end_s = edges_s
    length_s = end_s - start_s
    hidden_s = max(min(EDGE_S, 0.2 * length_s), min(LAGS * lag_s, SLOW_EDGE_S, 0.35 * length_s))
    inside = (t_s >= start_s + hidden_s) & (t_s < end_s)
    t, mass = t_s[inside], mass_g[inside]
    if t.size < 4 * BLOCK_READINGS or end_s <= start_s:
        return NO_SHAPE
    rough = abs(float(mass[-1] - mass[0])) / max(float(t[-1] - t[0]), 1e-9)
    step = float(np.median(np.diff(t)))
    block = max(BLOCK_S, BLOCK_READINGS * step, (end_s - start_s) / MOST_BLOCKS)
    if rough > 0:
        block = max(block, min(BLOCK_STEPS * resolution_g / rough, 0.2 * (end_s - start_s)))
    ramp = _blocks(t, mass, block)
    if ramp.when.size < 4:
        return NO_SHAPE
    flow = np.diff(ramp.level) / np.diff(ramp.when)
    steady = float(np.median(flow))
    if steady <= 0:
        return Shape(steady, (), np.zeros(0), np.zeros(0))
    # The median of n normal readings scatters by 1.25 s over root n (any handbook of statistics).
    u = np.hypot(
        1.25 * spread_by_differences(mass, 2) / np.sqrt(ramp.n),
        max(ROUNDED_D * resolution_g, steady * late_s),
    )
    tenths, u_tenths = _tenths(ramp, u, steady)
    return Shape(steady, tuple(_runs(ramp, flow, u, steady)), tenths, u_tenths)


def without_tails(t_s: Floats, residual_g: Floats, weight: Floats, lag_s: float) -> NDArray[np.bool_]:
    """Which readings are sound: those that count, less the tails of what does not, shape (n,).

    What the scale's filter still shows of a bump is near enough to count at last, and looks like a loss.
    """
    sound = weight > 0
    if residual_g.size < BLOCK_READINGS:
        return sound
    seen_g = TAIL_NOISES * spread_by_differences(residual_g)
    out_s, side = -math.inf, 0.0
    for i, counts in enumerate(sound.tolist()):
        if not counts:
            out_s, side = float(t_s[i]), math.copysign(1.0, residual_g[i])
        elif t_s[i] - out_s < LAGS * lag_s and side * residual_g[i] > seen_g:
            sound[i] = False
        else:
            out_s = -math.inf
    return sound


class _Ramp(NamedTuple):
    """Medians of the blocks, and how many readings each has."""

    when: Floats
    level: Floats
    n: Floats


def _blocks(t: Floats, mass: Floats, block: float) -> _Ramp:
    which = ((t - t[0]) / block).astype(int)
    starts = np.flatnonzero(np.diff(which, prepend=-1))
    whens, levels, counts = [], [], []
    for low, high in zip(starts, [*starts[1:], t.size], strict=True):
        if high - low >= 2:
            whens.append(float(np.median(t[low:high])))
            levels.append(float(np.median(mass[low:high])))
            counts.append(float(high - low))
    return _Ramp(np.array(whens), np.array(levels), np.array(counts))


def _runs(ramp: _Ramp, flow: Floats, u_level: Floats, steady: float) -> list[Run]:
    when, level = ramp.when, ramp.level
    u_flow = np.hypot(u_level[1:], u_level[:-1]) / np.diff(when)
    off = level - steady * when
    odd = np.abs(flow - steady) > np.maximum(ODD_REL * steady, 5.0 * u_flow)
    edges = np.diff(np.concatenate(([0], odd.astype(int), [0])))
    runs = []
    for low, high in zip(
        np.flatnonzero(edges == 1).tolist(), np.flatnonzero(edges == -1).tolist(), strict=True
    ):
        # One block further on either side: what a bump took is then given back. Medians of up to three, for a
        # second bump may be near.
        first, last = max(low - 1, 0), min(high + 1, level.size - 1)
        lasting = float(
            np.median(off[last : last + BESIDE]) - np.median(off[max(first - BESIDE + 1, 0) : first + 1])
        )
        u = math.hypot(float(u_level[first]), float(u_level[last]))
        deviation = flow[low:high] / steady - 1.0
        extreme = float(deviation[int(np.argmax(np.abs(deviation)))])
        runs.append(Run(float(when[low]), float(when[high]), lasting, u, extreme))
    return runs


def _tenths(ramp: _Ramp, u_level: Floats, steady: float) -> tuple[Floats, Floats]:
    # The flow over each tenth, from the blocks nearest its ends; the mean over all is what they differ from.
    n = min(10, (ramp.when.size - 1) // 2)
    if n < 3:
        return np.zeros(0), np.zeros(0)
    # A bump spoils a block or two: their difference from the straight line gives way to its neighbours'.
    off = ramp.level - steady * ramp.when
    level = _running_median(off, 5 if ramp.when.size >= MANY_BLOCKS else 3) + steady * ramp.when
    at = np.round(np.linspace(0, ramp.when.size - 1, n + 1)).astype(int)
    apart = np.diff(ramp.when[at])
    mean = (level[-1] - level[0]) / (ramp.when[-1] - ramp.when[0])
    u = np.hypot(u_level[at[1:]], u_level[at[:-1]])
    return np.diff(level[at]) / apart / mean - 1.0, u / apart / steady


def _running_median(values: Floats, width: int) -> Floats:
    padded = np.pad(values, width // 2, mode="reflect", reflect_type="odd")
    return np.asarray(np.median(np.lib.stride_tricks.sliding_window_view(padded, width), axis=1))
