"""What a window's readings can carry: drip, slow start, both or neither, by the evidence (Laplace).

A drip that falls is tried first, then one that the jet's pressure still drives.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from agent.detection.window import Floats
from agent.flow.curve import (
    AMOUNTS,
    DRIP,
    DRIVEN,
    FLOW,
    JET,
    LENGTH,
    LOG_DRIP,
    LOG_LAG,
    LOG_SLOW,
    LOSS,
    SIZE,
    SLOW,
    START,
    curve_of,
    drip_column,
    edges,
    slow_column,
)
from agent.flow.first_look import FirstLook
from agent.flow.joint import Data, Joint, Prior, fit, gain_by, tukey
from agent.flow.noise import Kept
from agent.flow.priors import DRIP_S, SLOW_MOST_S, SLOW_S

WORTH = 7.0
"""What a drip or a slow start must promise to gain before it is fitted: about the penalty of BIC."""
PENALTY = 2.0
"""Parameters that a drip or a slow start brings."""
BETTER = 2.0
"""How much lower minus twice the log evidence must be."""
WIDER = (
    (False, True, False),
    (True, False, False),
    (True, True, False),
    (True, False, True),
    (True, True, True),
)
"""Drip, slow start, and whether the drip is driven: what is tried beside the plain curve."""
TRIED_S = (0.3, 1.5)
"""Time constants that a drip and a slow start are looked for with, s."""
STAYS, STEADY = 0.75, 0.4
"""A surge and a driven drip of so much of the jet's force, whose push is its grams but for so much (ours)."""
ASTRAY = 6.0
"""So much higher and a wider curve's fit was not at its end."""
BEGIN_S = 0.05
"""Seconds of flow that a drip or a slow start is tried with first."""
STANDS_FOR_S = 0.2
"""A drip or a slow start of so many seconds of flow may stand for an open time that was told wrongly."""
WRONG_S = 2.0
"""How far a told open time may be wrong where it is: a standard uncertainty (choice of ours)."""
GLANCE_S = 0.4
"""A first look at the curve is right within this: where it says more, the told time may be wrong as well."""
FAR_BETTER = 6.0
"""How much lower minus twice the log evidence must be: one told time in twenty is wrong (choice of ours)."""
HIDDEN_S = 0.04
"""Surge or slow start that a coarse scale may hide, in seconds of flow (standard uncertainty)."""


def chosen(
    data: Data, prior: Prior, plain: Joint, *, start: Floats | None = None, hidden: bool = False
) -> tuple[Prior, Joint]:
    """The prior with what the data carry, and its fit; `plain` is the fit with neither drip nor slow start.

    Where `start` is given a first choice fell on more than the plain curve: all are tried, from there.
    """
    always = hidden or data.half_g is not None
    if always:
        # On a coarse scale the grams rest on the ramp, and a surge or a slow start hides between two steps.
        prior = prior.narrowed(SLOW, HIDDEN_S / SLOW_MOST_S)
    drips, slows, driven = (True, True, True) if start is not None else _promising(data, plain)
    slows = slows or always
    best = prior.without(drip=True, slow=True), plain
    for drip, slow, push in WIDER:
        tried = (driven if push else drips or not drip) and (slows or not slow)
        if not tried or (always and not slow):
            continue
        wider = prior.without(drip=not drip, slow=not slow, push=not push)
        other = _wider_fit(data, wider, plain, plain.at if start is None else start)
        unphysical = drip and (other.at[DRIP] < 0 or _may_be_a_push(other))
        if not unphysical and ((always and best[1] is plain) or other.cost < best[1].cost - BETTER):
            best = wider, other
    return best


def of_another_length(
    data: Data, prior: Prior, wanted: Prior, joint: Joint, look: FirstLook
) -> tuple[Prior, Joint]:
    """The choice as it is, or one that ran longer or shorter than told, where that explains far better.

    A closing told a second too early leaves a ramp that goes on as it was and then stops; a drip dies away.
    """
    flow, which = float(joint.at[FLOW]), AMOUNTS + LENGTH
    largest_g = max(abs(float(joint.at[DRIP])), abs(float(joint.at[SLOW])))
    off_s = look.length_s - float(prior.mean[which])
    looks_wrong = look.seen and abs(off_s) > GLANCE_S
    if flow <= 0.0 or (largest_g < STANDS_FOR_S * flow and not looks_wrong):
        return wanted, joint
    u, begin = prior.u.copy(), joint.at.copy()
    u[which] = max(u[which], WRONG_S)
    loose = Prior(prior.mean, u)
    if looks_wrong:
        begin = prior.mean.copy()
        begin[AMOUNTS + START], begin[FLOW] = look.start_s, look.rise_g / max(look.length_s, 0.5)
    begin[which] = look.length_s if looks_wrong else begin[which] + (begin[DRIP] - begin[SLOW]) / flow
    begin[[DRIP, SLOW]] = 0.0
    told = fit(data, wanted, joint.at)
    other, found = chosen(data, loose, fit(data, loose.without(drip=True, slow=True), begin))
    return (other, found) if found.cost < told.cost - FAR_BETTER else (wanted, joint)


def roughly_chosen(data: Data, prior: Prior, plain: Joint) -> tuple[Prior, Joint]:
    """A likely shape while the noise is unknown: by BIC, the variances at rest and on the ramp profiled.

    `data` have one wide noise for all readings, so that nothing but bumps is left out of `plain`, their fit.
    """
    apart = _apart(data, plain)
    fits = _spread_of(data, plain, apart)
    scale = float(np.mean(fits.typical_z))
    best, least = (prior.without(drip=True, slow=True), plain), fits.criterion
    drips, slows, driven = _promising(data, plain, scale)
    for drip, slow, push in WIDER:
        if not (driven if push else drips or not drip) or (slow and not slows):
            continue
        wider = prior.without(drip=not drip, slow=not slow, push=not push)
        other = _wider_fit(data, wider, plain, plain.at)
        more = PENALTY * (drip + slow) + push
        criterion = _spread_of(data, other, apart).criterion + more * math.log(data.mass_g.size)
        if criterion < least and not (drip and (other.at[DRIP] < 0 or _may_be_a_push(other))):
            best, least = (wider, other), criterion
    return best


class _Spread(NamedTuple):
    criterion: float
    typical_z: Floats
    """Weighted mean squares of the residuals over the noise, at rest and on the ramp."""


def _apart(data: Data, joint: Joint) -> tuple[Kept, Kept]:
    start, end = edges(joint.at)
    spraying = (data.on.t_s > start) & (data.on.t_s < end)
    return spraying, ~spraying


def _spread_of(data: Data, joint: Joint, apart: tuple[Kept, Kept]) -> _Spread:
    z = (data.mass_g - curve_of(data.on, joint.at)) / data.noise_g
    weight = tukey(z)
    squares = []
    criterion = 0.0
    for part in apart:
        total = float(weight[part].sum())
        if total < 4:
            continue
        square = max(float(weight[part] @ np.square(z[part])) / total, 1e-12)
        squares.append(square)
        criterion += float(part.sum()) * math.log(square)
    return _Spread(criterion, np.array(squares or [1.0]))


def _wider_fit(data: Data, wider: Prior, plain: Joint, start: Floats) -> Joint:
    begin = start.copy()
    for amount, which, known in ((DRIP, LOG_DRIP, DRIP_S), (SLOW, LOG_SLOW, SLOW_S)):
        if wider.u[amount] == 0.0:
            begin[amount] = 0.0
        elif begin[amount] == 0.0:
            begin[amount], begin[AMOUNTS + which] = BEGIN_S * begin[FLOW], math.log(known.value)
    if wider.u[DRIVEN] > 0.0 and begin[DRIVEN] == 0.0:
        begin[DRIVEN] = wider.mean[DRIVEN]
    found = fit(data, wider, begin)
    if found.cost <= plain.cost + ASTRAY:
        return found
    # A wider curve cannot be worse: it went astray, and begins anew from what is usual.
    usual = [AMOUNTS + START, AMOUNTS + LOG_LAG]
    begin[usual], begin[LOSS] = wider.mean[usual], 0.0
    amounts_first = Prior(begin, np.where(np.arange(SIZE) < AMOUNTS, wider.u, 0.0))
    again = fit(data, wider, fit(data, amounts_first, begin, steps=3).at)
    return again if again.cost < found.cost else found


def _may_be_a_push(joint: Joint) -> bool:
    # A force that comes with the liquid and stays looks like a jet, and a driven drip of as many grams whose
    # push and grams make a step together: what goes with the jet is there again at once.
    at = joint.at
    flow, jet = float(at[FLOW]), float(at[JET])
    stands_for = float(at[DRIVEN]) * jet / math.exp(float(at[AMOUNTS + LOG_DRIP]))
    stays_g = float(at[DRIP]) + max(-float(at[SLOW]), 0.0)
    return abs(stands_for - flow) < STEADY * flow and stays_g > STAYS * jet


def _promising(data: Data, joint: Joint, scale: float = 1.0) -> tuple[bool, bool, bool]:
    """Whether a drip, a slow start, a drip that is driven promise enough to be fitted."""
    on, at, least = data.on, joint.at, WORTH * scale
    return (
        any(gain_by(joint, drip_column(on, at, tau_s, 0.0)) > least for tau_s in TRIED_S),
        any(gain_by(joint, slow_column(on, at, tau_s)) > least for tau_s in TRIED_S),
        any(gain_by(joint, drip_column(on, at, tau_s, 1.0)) > least for tau_s in TRIED_S),
    )
