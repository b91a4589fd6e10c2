"""Air in the line or a moved container: whether a fall behind the flow is a pause of it.

While air passes nothing comes, and nothing goes: the curve stands still at most, and falls by no more than
the jet had pushed, which comes back with the flow; or by nothing, where the air pushes as much. A container
that is moved takes grams faster than they came. Both are fitted beside a straight line, as seen through the
scale's lag, and the better one is believed.
"""

from __future__ import annotations

import math
from enum import Enum
from typing import NamedTuple

import numpy as np

from agent.detection.window import Floats
from agent.flow.noise import spread_by_differences

REACH_S, AROUND_S, EACH_S = 3.2, 1.2, 0.1
"""How far the readings are looked at, how far off the moment may be, and in which steps it is tried."""
LASTS_S = np.concatenate((np.arange(0.05, 1.6, 0.15), np.arange(1.7, 3.0, 0.25)))
MOST = 1.05
"""The flow itself is known to some percent."""
LAGS = (0.6, 1.0, 1.6)
"""A filter of two stages or a moving mean looks shorter or longer than a single lag."""
LEAST_S = 0.02
LEAST_READINGS = 12
PARAMETERS = 6
FITS = 0.05, 3.0
"""What fits leaves over no more than a share of the grams lost, or so many times the noise."""
FINE = 0.02
"""Finer than to this share of the grams lost no fit is believed: filters are of another kind than the lag."""
SURE = 12.0
"""How much smaller the sum of squares must be, in variances: odds of 400 (choice of ours)."""
NEARLY = -30.0
"""From here on both are thought of."""


class Loss(Enum):
    """What took grams."""

    AIR = "air"
    MAYBE_AIR = "maybe air"
    MOVED = "moved"
    UNCLEAR = "unclear"


class Taken(NamedTuple):
    """A loss."""

    by: Loss
    grams: float


class _Fit(NamedTuple):
    squares: float
    grams: float


def what_took(
    t_s: Floats,
    mass_g: Floats,
    at_s: float,
    *,
    flow_g_per_s: float,
    jet_g: float,
    lag_s: float,
    least_g: float,
) -> Taken:
    """What took grams about `at_s`, and how many: readings of a ramp, shape (n,), of noise `least_g`."""
    near = np.abs(t_s - at_s) < REACH_S
    t, mass = t_s[near] - at_s, mass_g[near]
    if t.size < LEAST_READINGS or flow_g_per_s <= 0.0:
        return Taken(Loss.UNCLEAR, 0.0)
    noise_g = max(spread_by_differences(mass, 2), least_g)
    air, moved = _fits(t, mass, flow_g_per_s, max(jet_g, 0.0), lag_s)
    dof = max(t.size - PARAMETERS, 3)
    better = min(air, moved)
    fits = math.sqrt(better.squares / dof) <= max(FITS[0] * better.grams, FITS[1] * noise_g)
    by = (air.squares - moved.squares) / max(better.squares / dof, noise_g**2, (FINE * better.grams) ** 2)
    if by < NEARLY and fits:
        return Taken(Loss.AIR, air.grams)
    if by < NEARLY or (fits and by <= SURE):
        return Taken(Loss.MAYBE_AIR, moved.grams)
    return Taken(Loss.MOVED if fits else Loss.UNCLEAR, moved.grams)


def _fits(t: Floats, mass: Floats, flow: float, jet_g: float, lag_s: float) -> tuple[_Fit, _Fit]:
    line, _ = np.linalg.qr(np.column_stack((np.ones_like(t), t)))
    left = mass - line @ (line.T @ mass)
    air = moved = _Fit(math.inf, 0.0)
    for lag in LAGS:
        for lasts_s in LASTS_S.tolist():
            begins = np.arange(-AROUND_S, AROUND_S, EACH_S) - 0.5 * lasts_s
            step, ramp = _lost(t, begins, lasts_s, max(lag * lag_s, LEAST_S))
            most_g = flow * lasts_s
            paused = min(
                _best(ramp + push_g / most_g * step, line, left, (0.0, MOST * most_g))
                for push_g in {0.0, jet_g}
            )
            pushed = _best(ramp, line, left, (MOST * most_g, math.inf))
            air, moved = min(air, paused), min(moved, pushed)
    return air, moved


def _lost(t: Floats, begins: Floats, lasts_s: float, lag_s: float) -> tuple[Floats, Floats]:
    # One gram of force that lasts so long, and one gram lost in that time: shapes (n, begins).
    from_s = np.maximum(t[:, None] - begins, 0.0)
    to_s = np.maximum(from_s - lasts_s, 0.0)
    gone = np.exp(-from_s / lag_s) - np.exp(-to_s / lag_s)
    return -gone, (from_s - to_s + lag_s * gone) / lasts_s


def _best(columns: Floats, line: Floats, left: Floats, within_g: tuple[float, float]) -> _Fit:
    apart = columns - line @ (line.T @ columns)
    size = np.maximum(np.einsum("ij,ij->j", apart, apart), 1e-12)
    pull = -(left @ apart)
    grams = np.clip(pull / size, *within_g)
    squares = float(left @ left) - 2.0 * grams * pull + np.square(grams) * size
    at = int(np.argmin(squares))
    return _Fit(float(squares[at]), float(grams[at]))
