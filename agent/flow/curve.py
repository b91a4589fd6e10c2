"""The reading curve of one dispense: what a scale shows while a gun shoots into the container on it.

Physics, one column per amount, each seen through the scale's first-order lag:

- the level before, and a loss by evaporation whose rate may change slowly;
- liquid arriving at a steady flow from the opening to the closing, with a slow droop (a column that begins
  and
  ends at zero, so that the flow is the mean flow), and a slow start that leaves out some grams;
- drip: grams that follow after closing, dying away exponentially;
- the jet's momentum: an offset while the liquid strikes, gone with it.

The amounts enter linearly, the times do not. A first-order lag turns a step into 1 - exp(-u/lag), a ramp into
u - lag (1 - exp(-u/lag)), and so on; these are the closed forms below (any text on linear systems).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from agent.detection.window import Floats

LEVEL, LOSS, BEND, FLOW, DROOP, JET, DRIP, SLOW = range(8)
"""Columns: level g, loss g/s, change of the loss g/s, flow g/s, droop g/s, jet g, drip g, slow start g."""
AMOUNTS = 8
START, LENGTH, LOG_LAG, LOG_DRIP, LOG_SLOW = range(5)
"""Times: arrival of the liquid s, how long it arrives s, and logarithms of the time constants in s."""
TIMES = 5


@dataclass(frozen=True, slots=True, eq=False)
class Axis:
    """The times of the readings and what is made of them once."""

    t_s: Floats
    """Seconds from the opening, shape (n,)."""
    fixed: Floats
    """The columns level, loss and bend, shape (n, 3)."""


def axis(t_s: Floats, middle_s: float) -> Axis:
    """Prepare the readings' times; the loss is counted from `middle_s`, the middle of the dispense."""
    from_middle = t_s - middle_s
    half = max(float(np.max(np.abs(from_middle))), 1.0) if t_s.size else 1.0
    return Axis(t_s, np.column_stack((np.ones_like(t_s), -from_middle, -0.5 * from_middle**2 / half)))


def columns(on: Axis, times: Floats) -> Floats:
    """The curve per unit of each amount, shape (n, AMOUNTS). `times` has shape (TIMES,)."""
    start, length = times[START], times[LENGTH]
    lag, drip, slow = np.exp(times[LOG_LAG:])
    drip = drip if abs(drip - lag) > 1e-3 * lag else lag * 1.002
    slow = slow if abs(slow - lag) > 1e-3 * lag else lag * 1.002
    since = np.maximum(on.t_s - start, 0.0)
    after = np.maximum(on.t_s - (start + length), 0.0)
    gone_since, gone_after = np.exp(-since / lag), np.exp(-after / lag)
    step_since, step_after = 1.0 - gone_since, 1.0 - gone_after
    ramp_since, ramp_after = since - lag * step_since, after - lag * step_after
    bow_since, bow_after = 0.5 * since**2 - lag * ramp_since, 0.5 * after**2 - lag * ramp_after
    out = np.empty((on.t_s.size, AMOUNTS))
    out[:, :3] = on.fixed
    out[:, FLOW] = ramp_since - ramp_after
    out[:, DROOP] = (bow_since - bow_after) / length - 0.5 * (ramp_since + ramp_after)
    out[:, JET] = step_since - step_after
    out[:, DRIP] = 1.0 - (drip * np.exp(-after / drip) - lag * gone_after) / (drip - lag)
    out[:, SLOW] = (slow * np.exp(-since / slow) - lag * gone_since) / (slow - lag) - 1.0
    return out


def dispensed_g(amounts: Floats, times: Floats) -> float:
    """Grams that left the gun for this opening, in the scale's own grams, evaporation added back."""
    return float(amounts[FLOW] * times[LENGTH] + amounts[DRIP] - amounts[SLOW])
