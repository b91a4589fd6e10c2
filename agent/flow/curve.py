"""The reading curve of one dispense: what a scale shows while a gun shoots into the container on it.

Physics, one column per amount, each seen through the scale's first-order lag:

- the level before, and a loss by evaporation whose rate may change slowly;
- liquid arriving at a steady flow from the opening to the closing, with a slow droop (a column that begins
  and ends at zero, so that the flow is the mean flow), and a slow start that leaves out some grams;
- drip: grams that follow after closing, dying away exponentially;
- the jet's momentum: an offset while the liquid strikes, gone with it.

The amounts enter linearly, the times do not. A first-order lag turns a step into s = 1 - exp(-u/lag), a ramp
into r = u - lag s, a parabola u^2/2 into b = u^2/2 - lag r (any text on linear systems); the derivatives
by the
times follow from these by hand and are checked against differences in the tests.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from agent.detection.window import Floats

LEVEL, LOSS, BEND, FLOW, DROOP, JET, DRIP, SLOW = range(8)
"""Columns: level g, loss g/s, change of the loss g/s, flow g/s, droop g/s, jet g, drip g, slow start g."""
AMOUNTS = 8
START, LENGTH, LOG_LAG, LOG_DRIP, LOG_SLOW = range(5)
"""Times: arrival of the liquid s, how long it arrives s, and logarithms of the time constants in s."""
TIMES = 5
SIZE = AMOUNTS + TIMES
"""Parameters: the amounts, then the times."""


@dataclass(frozen=True, slots=True, eq=False)
class Axis:
    """The times of the readings and what is made of them once."""

    t_s: Floats
    """Seconds from the opening, shape (n,)."""
    fixed: Floats
    """The columns level, loss and bend, shape (n, 3)."""
    middle_s: float
    half_s: float
    """The loss is counted from the middle, and bends over the half."""


class _Response(NamedTuple):
    """A step, a ramp and a parabola from one moment on, through the lag, and their slopes by log lag."""

    gone: Floats
    step: Floats
    ramp: Floats
    bow: Floats
    step_by_lag: Floats
    ramp_by_lag: Floats
    bow_by_lag: Floats


class _Tail(NamedTuple):
    """1 - exp(-u / tau) through the lag, and its slopes by u, log lag and log tau."""

    value: Floats
    by_u: Floats
    by_lag: Floats
    by_tau: Floats


def axis(t_s: Floats, middle_s: float, half_s: float) -> Axis:
    """Prepare the readings' times, shape (n,)."""
    from_middle = t_s - middle_s
    bend = -0.5 * from_middle**2 / half_s
    return Axis(t_s, np.column_stack((np.ones_like(t_s), -from_middle, bend)), middle_s, half_s)


def columns(on: Axis, times: Floats) -> Floats:
    """The curve per unit of each amount, shape (n, AMOUNTS). `times` has shape (TIMES,)."""
    return _columns(on, times, None)[:, :AMOUNTS]


def columns_and_slopes(on: Axis, at: Floats) -> Floats:
    """The columns, then the curve's derivatives by the times, shape (n, SIZE). `at` has shape (SIZE,)."""
    return _columns(on, at[AMOUNTS:], at[:AMOUNTS])


def dispensed_g(at: Floats) -> float:
    """Grams that left the gun for this opening, in the scale's own grams, evaporation added back."""
    return float(at[FLOW] * at[AMOUNTS + LENGTH] + at[DRIP] - at[SLOW])


def dispensed_gradient(at: Floats) -> Floats:
    """Derivatives of the dispensed grams by the parameters, shape (SIZE,)."""
    gradient = np.zeros(SIZE)
    gradient[FLOW] = at[AMOUNTS + LENGTH]
    gradient[AMOUNTS + LENGTH] = at[FLOW]
    gradient[DRIP], gradient[SLOW] = 1.0, -1.0
    return gradient


def _columns(on: Axis, times: Floats, amounts: Floats | None) -> Floats:
    start, length = float(times[START]), float(times[LENGTH])
    lag, drip, slow = np.exp(times[LOG_LAG:])
    since = np.maximum(on.t_s - start, 0.0)
    after = np.maximum(on.t_s - (start + length), 0.0)
    one, two = _response(since, lag), _response(after, lag)
    out = np.zeros((on.t_s.size, SIZE))
    out[:, :3] = on.fixed
    out[:, FLOW] = one.ramp - two.ramp
    out[:, DROOP] = (one.bow - two.bow) / length - 0.5 * (one.ramp + two.ramp)
    out[:, JET] = one.step - two.step
    tail = _tail(after, two.gone, lag, drip)
    late = _tail(since, one.gone, lag, slow)
    out[:, DRIP] = tail.value
    out[:, SLOW] = -late.value
    if amounts is None:
        return out
    flow, droop, jet = amounts[FLOW], amounts[DROOP], amounts[JET]
    begun, ended = (since > 0) * one.gone / lag, (after > 0) * two.gone / lag
    by_since = flow * one.step + droop * (one.ramp / length - 0.5 * one.step) + jet * begun
    by_after = -flow * two.step - droop * (two.ramp / length + 0.5 * two.step) - jet * ended
    by_after += amounts[DRIP] * tail.by_u
    by_since -= amounts[SLOW] * late.by_u
    out[:, AMOUNTS + START] = -by_since - by_after
    out[:, AMOUNTS + LENGTH] = -by_after - droop * (one.bow - two.bow) / length**2
    out[:, AMOUNTS + LOG_LAG] = (
        flow * (one.ramp_by_lag - two.ramp_by_lag)
        + droop * ((one.bow_by_lag - two.bow_by_lag) / length - 0.5 * (one.ramp_by_lag + two.ramp_by_lag))
        + jet * (one.step_by_lag - two.step_by_lag)
        + amounts[DRIP] * tail.by_lag
        - amounts[SLOW] * late.by_lag
    )
    out[:, AMOUNTS + LOG_DRIP] = amounts[DRIP] * tail.by_tau
    out[:, AMOUNTS + LOG_SLOW] = -amounts[SLOW] * late.by_tau
    return out


def _response(u: Floats, lag: float) -> _Response:
    gone = np.exp(-u / lag)
    step = 1.0 - gone
    ramp = u - lag * step
    bow = 0.5 * u**2 - lag * ramp
    step_by_lag = -gone * u / lag
    ramp_by_lag = -lag * (step + step_by_lag)
    return _Response(gone, step, ramp, bow, step_by_lag, ramp_by_lag, -lag * (ramp + ramp_by_lag))


def _tail(u: Floats, gone: Floats, lag: float, tau: float) -> _Tail:
    # The formula is 0/0 where both time constants are alike; a hair's breadth apart it is exact enough.
    tau = tau if abs(tau - lag) > 2e-3 * lag else lag * 1.002
    apart = tau - lag
    fading = np.exp(-u / tau)
    both = (tau * fading - lag * gone) / apart
    by_lag = lag * ((gone + gone * u / lag) - both) / apart
    by_tau = tau * (both - (fading + fading * u / tau)) / apart
    return _Tail(1.0 - both, (fading - gone) / apart, by_lag, by_tau)
