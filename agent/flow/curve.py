"""The reading curve of one dispense: what a scale shows while a gun shoots into the container on it.

Physics, one column per amount, each seen through the scale's first-order lag:

- the level before, and a loss by evaporation whose rate may change slowly;
- liquid arriving at a steady flow from the opening to the closing, with a slow droop (a column that begins
  and ends at zero, so that the flow is the mean flow), and a slow start that leaves out some grams;
- drip: grams that follow after closing, dying away exponentially;
- the jet's momentum: an offset while the liquid strikes, gone with it. What follows after closing pushes as
  well, with the jet's speed where a needle leaks under pressure, and hardly where it only falls.

The amounts enter linearly but for the drip's push, the times do not. A first-order lag turns a step into
s = 1 - exp(-u/lag), a ramp into r = u - lag s, a parabola u^2/2 into b = u^2/2 - lag r (any text on linear
systems); the derivatives by the times follow from these by hand and are checked against differences in the
tests.
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
DRIVEN = AMOUNTS + TIMES
"""Speed of the drip over the jet's."""
SIZE = AMOUNTS + TIMES + 1
"""Parameters: the amounts, then the times, then the drip's speed."""
MOST_PUSH_S = 3.0
"""A gram a second never weighs more: a jet of 30 m/s (3 bar by Bernoulli)."""


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


class _Times(NamedTuple):
    """The times themselves, s."""

    start: float
    length: float
    lag: float
    drip: float
    slow: float


class _Push(NamedTuple):
    """The jet's force in seconds of flow, and its slopes by jet and flow."""

    seconds: float
    by_jet: float
    by_flow: float


class _Response(NamedTuple):
    """A step, a ramp and a parabola that begin at one moment, through the lag; `gone` is exp(-u/lag)."""

    gone: Floats
    step: Floats
    ramp: Floats
    bow: Floats


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


def edges(at: Floats) -> tuple[float, float]:
    """When liquid begins to arrive and when it ends, s from the opening."""
    start = float(at[AMOUNTS + START])
    return start, start + float(at[AMOUNTS + LENGTH])


def curve_of(on: Axis, at: Floats) -> Floats:
    """What the scale shows at the readings' times, rounding and noise apart, shape (n,)."""
    times = _times(at)
    since, after = _since(on, times)
    one, two = _response(since, times.lag), _response(after, times.lag)
    curve = on.fixed @ at[:FLOW] + at[FLOW] * (one.ramp - two.ramp) + at[JET] * (one.step - two.step)
    if at[DROOP] != 0.0:
        curve += at[DROOP] * ((one.bow - two.bow) / times.length - 0.5 * (one.ramp + two.ramp))
    if at[DRIP] != 0.0:
        tail = _tail(after, two.gone, times.lag, times.drip).value
        curve += at[DRIP] * (tail + at[DRIVEN] * _push(at).seconds / times.drip * (two.step - tail))
    if at[SLOW] != 0.0:
        curve -= at[SLOW] * _tail(since, one.gone, times.lag, times.slow).value
    return np.asarray(curve)


def drip_column(on: Axis, at: Floats, tau_s: float, driven: float) -> Floats:
    """The curve per gram of drip that dies away with `tau_s`, at `driven` of the jet's speed, shape (n,)."""
    times = _times(at)
    _, after = _since(on, times)
    gone = np.exp(-after / times.lag)
    tail = _tail(after, gone, times.lag, tau_s).value
    return np.asarray(tail + driven * _push(at).seconds / tau_s * (1.0 - gone - tail))


def slow_column(on: Axis, at: Floats, tau_s: float) -> Floats:
    """The curve per gram that a start leaves out which takes `tau_s`, shape (n,)."""
    times = _times(at)
    since, _ = _since(on, times)
    return -_tail(since, np.exp(-since / times.lag), times.lag, tau_s).value


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


def columns_and_slopes(on: Axis, at: Floats) -> Floats:
    """The curve's derivatives by all parameters, shape (n, SIZE): for an amount, the curve per unit of it.

    Those by a drip or a slow start of exactly no grams are left zero, for they are not being fitted.
    """
    times = _times(at)
    length, lag = times.length, times.lag
    since, after = _since(on, times)
    one, two = _response(since, lag), _response(after, lag)
    out = np.zeros((on.t_s.size, SIZE))
    out[:, :FLOW] = on.fixed
    out[:, FLOW] = one.ramp - two.ramp
    out[:, DROOP] = (one.bow - two.bow) / length - 0.5 * (one.ramp + two.ramp)
    out[:, JET] = one.step - two.step
    flow, droop, jet = at[FLOW], at[DROOP], at[JET]
    begun, ended = (since > 0) * one.gone / lag, (after > 0) * two.gone / lag
    by_since = flow * one.step + droop * (one.ramp / length - 0.5 * one.step) + jet * begun
    by_after = -flow * two.step - droop * (two.ramp / length + 0.5 * two.step) - jet * ended
    ramp_one, bow_one = _by_lag(since, one, lag)
    ramp_two, bow_two = _by_lag(after, two, lag)
    by_lag = (flow - 0.5 * droop) * ramp_one - (flow + 0.5 * droop) * ramp_two
    by_lag += droop / length * (bow_one - bow_two) - jet * (since * one.gone - after * two.gone) / lag
    if at[DRIP] != 0.0:
        tail, push = _tail(after, two.gone, lag, times.drip), _push(at)
        late_s, pushes = at[DRIVEN] * push.seconds / times.drip, two.step - tail.value
        out[:, DRIP] = tail.value + late_s * pushes
        out[:, AMOUNTS + LOG_DRIP] = at[DRIP] * ((1.0 - late_s) * tail.by_tau - late_s * pushes)
        out[:, DRIVEN] = at[DRIP] * push.seconds / times.drip * pushes
        out[:, JET] += at[DRIP] * at[DRIVEN] * push.by_jet / times.drip * pushes
        out[:, FLOW] += at[DRIP] * at[DRIVEN] * push.by_flow / times.drip * pushes
        by_after += at[DRIP] * ((1.0 - late_s) * tail.by_u + late_s * ended)
        by_lag += at[DRIP] * ((1.0 - late_s) * tail.by_lag - late_s * after * two.gone / lag)
    if at[SLOW] != 0.0:
        late = _tail(since, one.gone, lag, times.slow)
        out[:, SLOW] = -late.value
        out[:, AMOUNTS + LOG_SLOW] = -at[SLOW] * late.by_tau
        by_since -= at[SLOW] * late.by_u
        by_lag -= at[SLOW] * late.by_lag
    out[:, AMOUNTS + START] = -by_since - by_after
    out[:, AMOUNTS + LENGTH] = -by_after - droop * (one.bow - two.bow) / length**2
    out[:, AMOUNTS + LOG_LAG] = by_lag
    return out


def _times(at: Floats) -> _Times:
    return _Times(
        *(float(time) for time in at[AMOUNTS : AMOUNTS + LOG_LAG]),
        *np.exp(at[AMOUNTS + LOG_LAG : AMOUNTS + TIMES]),
    )


def _push(at: Floats) -> _Push:
    # A jet that pulls is none: what stands for it there pushes no drip.
    flow, jet = float(at[FLOW]), float(at[JET])
    if flow <= 0.0 or jet <= 0.0 or jet >= MOST_PUSH_S * flow:
        return _Push(MOST_PUSH_S if jet >= MOST_PUSH_S * flow > 0.0 else 0.0, 0.0, 0.0)
    return _Push(jet / flow, 1.0 / flow, -jet / flow**2)


def _since(on: Axis, times: _Times) -> tuple[Floats, Floats]:
    since = on.t_s - times.start
    return np.maximum(since, 0.0), np.maximum(since - times.length, 0.0)


def _response(u: Floats, lag: float) -> _Response:
    gone = np.exp(u * (-1.0 / lag))
    step = 1.0 - gone
    ramp = u - lag * step
    return _Response(gone, step, ramp, 0.5 * u * u - lag * ramp)


def _by_lag(u: Floats, response: _Response, lag: float) -> tuple[Floats, Floats]:
    ramp = u * response.gone - lag * response.step
    return ramp, -lag * (response.ramp + ramp)


def _tail(u: Floats, gone: Floats, lag: float, tau: float) -> _Tail:
    # The formula is 0/0 where both time constants are alike; a hair's breadth apart it is exact enough.
    tau = tau if abs(tau - lag) > 2e-3 * lag else lag * 1.002
    apart = tau - lag
    fading = np.exp(u * (-1.0 / tau))
    both = (tau * fading - lag * gone) / apart
    by_lag = ((lag + u) * gone - lag * both) / apart
    by_tau = (tau * both - (tau + u) * fading) / apart
    return _Tail(1.0 - both, (fading - gone) / apart, by_lag, by_tau)
