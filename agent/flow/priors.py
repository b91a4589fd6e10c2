"""What is known of a reading curve before it is looked at: physics, configuration, earlier shots."""

from __future__ import annotations

import math

import numpy as np

from agent.detection.window import Floats, Window
from agent.flow.curve import (
    AMOUNTS,
    BEND,
    DRIP,
    DRIVEN,
    DROOP,
    FLOW,
    JET,
    LENGTH,
    LEVEL,
    LOG_DRIP,
    LOG_LAG,
    LOG_SLOW,
    LOSS,
    SIZE,
    SLOW,
    START,
)
from agent.flow.first_look import FirstLook
from agent.flow.joint import Prior
from agent.flow.known import Known
from agent.flow.surroundings import Surroundings

VALVE_DELAY_S = Known(0.08, 0.10)
"""From the command to the liquid's arrival on the pan (common practice, no source)."""
VALVE_DIFFERENCE_S = Known(0.0, 0.05)
"""Delay of closing less delay of opening, from gun to gun (common practice, no source)."""
VALVE_JITTER_S = 0.01
"""The same from shot to shot (common practice, no source)."""
U_STAMPED_S = 0.001
"""Standard uncertainty of an open time between events that the controller stamps (from memory)."""
U_ARRIVED_S = 0.045
"""The same between the arrivals of two messages over a shop's network (common practice, no source)."""
LAG_S = Known(0.2, 0.9)
"""Time constant of a scale's filter; u of its logarithm (common practice, no source)."""
DRIP_S = Known(0.8, 0.7)
"""Time constant of the drip after closing; u of its logarithm (common practice, no source)."""
SLOW_S = Known(0.6, 0.7)
"""Time constant of a slow start; u of its logarithm (common practice, no source)."""
DRIVEN_BY = Known(0.5, 0.3)
"""Speed of a drip that is driven over the jet's: a rectangle from falling to a leak (JCGM 100, 4.3.7)."""
PLAINLY_S, PLAINLY_REL = 2.5, 0.2
"""A length is plainly another one from so many seconds and so much of it on: a jet's force may fake less."""
LOSS_U = 0.05
"""Largest evaporation that is thought of, g/s, as a standard uncertainty."""
DROOP_REL, JET_S, DRIP_MOST_S, SLOW_MOST_S = 0.03, 0.5, 0.5, 0.2
"""Droop over flow; jet's force, drip and slow start in seconds of flow: standard uncertainties."""


def prior_of(window: Window, around: Surroundings, look: FirstLook, told_s: float) -> Prior:
    """The prior for a window whose gun was open for `told_s`, in times from the opening."""
    flow = abs(look.rise_g) / max(told_s, 0.5)
    mean, u = np.zeros(SIZE), np.zeros(SIZE)
    mean[LEVEL], u[LEVEL] = look.level_g, 1e6
    mean[LOSS], u[LOSS] = 0.0, LOSS_U
    u[BEND] = 1e-4
    mean[FLOW], u[FLOW] = flow, 1e4
    for amount, share in ((DROOP, DROOP_REL), (JET, JET_S), (DRIP, DRIP_MOST_S), (SLOW, SLOW_MOST_S)):
        u[amount] = share * flow + 1e-6
    mean[DRIVEN], u[DRIVEN] = DRIVEN_BY.value, DRIVEN_BY.u
    for which, known in _times(window, around, look, told_s).items():
        mean[AMOUNTS + which], u[AMOUNTS + which] = known.value, known.u
    return Prior(mean, u)


def valve_difference(around: Surroundings) -> Known:
    """How much longer liquid runs than was commanded: learned where it is significant, else assumed."""
    return around.learned.lengths.significant_error() or VALVE_DIFFERENCE_S


def start_of(prior: Prior, look: FirstLook, *, told: bool) -> Floats:
    """Where the fit begins."""
    start = prior.mean.copy()
    if look.seen:
        which = AMOUNTS + START
        reach = 4.0 * prior.u[which]
        start[which] = np.clip(look.start_s, prior.mean[which] - reach, prior.mean[which] + reach)
        if not told or disagreement_s(look, float(prior.mean[AMOUNTS + LENGTH])) > 0.0:
            start[AMOUNTS + LENGTH] = look.length_s
    start[FLOW] = look.rise_g / max(start[AMOUNTS + LENGTH], 0.05)
    if not told:
        # A jet pushes: from no force at all the fit often took the lag for it, and ended there.
        start[JET] = JET_S * start[FLOW]
    return start


def disagreement_s(look: FirstLook, told_s: float) -> float:
    """By how much the curve is longer or shorter than told, s; 0 where that is within a glance's error."""
    off = abs(look.length_s - told_s)
    return off if look.seen and off > max(PLAINLY_S, PLAINLY_REL * told_s) else 0.0


def _times(window: Window, around: Surroundings, look: FirstLook, told_s: float) -> dict[int, Known]:
    told = window.open_s is not None
    difference = valve_difference(around)
    start = Known(VALVE_DELAY_S.value, math.hypot(window.u_event_s, VALVE_DELAY_S.u if told else 1.0))
    length = Known(look.length_s, max(1.0, 0.1 * look.length_s))
    if told:
        u = math.sqrt(difference.u**2 + VALVE_JITTER_S**2 + u_told_s(window) ** 2)
        # Where the curve plainly ran longer or shorter than told, it may say so.
        length = Known(told_s + difference.value, max(u, disagreement_s(look, told_s)))
    learned, configured = around.learned.lag_s, around.scale.lag_s
    lag = LAG_S
    if configured > 0:
        lag = Known(configured, 0.2)
    elif learned is not None and learned.value > 0:
        lag = Known(learned.value, max(0.2, learned.u / learned.value))
    logs = {LOG_LAG: lag, LOG_DRIP: DRIP_S, LOG_SLOW: SLOW_S}
    known = {which: Known(math.log(each.value), each.u) for which, each in logs.items()}
    return {START: start, LENGTH: length, **known}


def u_told_s(window: Window) -> float:
    """Standard uncertainty of the open time that the controller told, s."""
    if window.u_open_s is not None:
        return window.u_open_s
    stamped = window.is_stamped
    if stamped is None:
        stamped = "clock_from_arrival" not in window.notes
    return U_STAMPED_S if stamped else U_ARRIVED_S
