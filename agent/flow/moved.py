"""Signs that a container was moved, or the scale leaned on, while it was shot into: what no gun does.

A gun gives no less than nothing and, for more than a few drops, hardly more than its own flow; a jet pushes
and never pulls; and at rest a scale shows nothing but noise and a slow loss. What is fitted beside a steady
flow (drip, slow start, jet) and breaks these rules is the container's doing. Where it comes near, nobody can
tell, and the grams are doubted by as much.
"""

from __future__ import annotations

import math

import numpy as np

from agent.flow.curve import AMOUNTS, DRIP, FLOW, JET, LOG_DRIP, LOG_SLOW, SLOW
from agent.flow.estimate import Estimate
from agent.flow.priors import LOSS_U
from agent.flow.readings import settled
from agent.flow.shape import Run

STEP_REL, STEP_D, STEP_UP, STEP_DOWN = 0.02, 4.0, 1.0, -1.04
DISTURBED = 0.25
SWAY_REL, SWAY_D, SWAY_NOISES, SWAY_S = 0.012, 5.0, 2.4, 1.0
"""At rest the curve is off the medians of so many seconds by less: share of the grams, steps d, noises."""
PULLS_S = 0.8
"""A jet that pulls by so many seconds of the flow is none; a few tenths come from filters of another kind."""
DRIP_S, DRIP_PACE = 1.3, 2.5
SURGE_S, SURGE_PACE = 1.0, 1.5
LATE_S, LATE_PACE = 0.5, 3.2
"""Grams in seconds of the flow, and how much faster than the flow they came or were held back: no gun's.

Choices of ours. A late start holds back all of the flow at once: its exponential looks up to three times as
fast.
"""
DOUBTED_S, DOUBTED_PACE, DOUBTED_LATE_PACE = 0.3, 1.2, 2.8
"""The same, from which it may be the container's as well."""
LEAST_U = 5.0


def is_moved(found: Estimate, d: float, *, air: bool) -> bool:
    """Whether the readings show that the container was moved or leaned on; `d` is the resolution, g.

    Where `air` passed, what seems to be held back or to pull stands for its spurts.
    """
    spoiled = _is_disturbed(found) or _loses_mass(found, d) or _sways(found, d)
    return spoiled or _outruns_the_gun(found, d, air=air)


def pushed_s(found: Estimate, *, disagrees: bool) -> float:
    """Grams that may be a push on the container as well as the gun's, in seconds of the flow.

    The true mass may be off by them. Where the duration `disagrees` as well, a push may be behind all that
    came or was held back beside the flow.
    """
    flow = found.amount(FLOW).value
    if flow <= 0.0 or not found.look.seen:
        return 0.0
    if disagrees:
        return abs(found.amount(DRIP).value / flow) + abs(found.amount(SLOW).value / flow)
    return sum(_fast_s(found))


def comes_in_a_surge(found: Estimate) -> bool:
    """Whether more grams than drops came faster than the gun flows as it opened.

    A drip that comes at the speed of the jet looks the same: what it pushes more the jet seems to push less.
    """
    return found.look.seen and found.amount(FLOW).value > 0.0 and _fast_s(found)[1] > 0.0


def _fast_s(found: Estimate) -> tuple[float, float, float]:
    # Drip, surge and late start, in seconds of the flow, as far as they came or were held back too fast.
    flow = found.amount(FLOW).value
    drip_s, surge_s, late_s = (
        grams_g / flow if grams_g > flow * max(DOUBTED_S, most * over_s) else 0.0
        for grams_g, over_s, most in (
            (_drip_g(found), _tau_s(found, LOG_DRIP), DOUBTED_PACE),
            (_surge_g(found), _tau_s(found, LOG_SLOW), DOUBTED_PACE),
            (_late_g(found), _tau_s(found, LOG_SLOW), DOUBTED_LATE_PACE),
        )
    )
    return drip_s, surge_s, late_s


def step_g(found: Estimate, d: float) -> float:
    """What counts as a step of the container, g."""
    return max(STEP_REL * abs(found.mass_g), STEP_D * d)


def is_step(run: Run, found: Estimate, d: float) -> bool:
    """Whether the flow did in a run what no flow does, and left grams behind or took them."""
    sudden = run.extreme > STEP_UP or run.extreme < STEP_DOWN
    return sudden and abs(run.lasting_g) > max(step_g(found, d), LEAST_U * run.u_g)


def _is_disturbed(found: Estimate) -> bool:
    # A bump or two are forgiven; somebody who leans through much of the ramp is not.
    busy = (found.t_s > found.start_s) & (found.t_s < found.end_s)
    return bool(busy.sum() >= 8 and np.mean(found.left.weight[busy] == 0) > DISTURBED)


def _loses_mass(found: Estimate, d: float) -> bool:
    least_g = max(step_g(found, d), LEAST_U * found.u_mass_g)
    could_evaporate_g = LOSS_U * float(np.ptp(found.t_s))
    return found.mass_g < -least_g or found.look.rise_g < -could_evaporate_g - STEP_D * d


def _sways(found: Estimate, d: float) -> bool:
    # What is off slowly at rest is no noise. A container that was taken away bends the curve itself: then the
    # plateaus say how many the grams are.
    rest = settled(found.t_s, found.joint.at) & (found.left.weight > 0)
    t_s, left_g = found.t_s[rest], found.left.residual_g[rest]
    if t_s.size < 3:
        return False
    grams = min(abs(found.mass_g), abs(found.look.rise_g))
    noise_g = float(np.std(np.diff(left_g)))
    which = np.floor(t_s / SWAY_S)
    off_g = np.array([np.median(left_g[which == each]) for each in np.unique(which)])
    least_g = max(SWAY_REL * grams, SWAY_D * d, SWAY_NOISES * noise_g)
    return float(np.sqrt(np.mean(np.square(off_g)))) > least_g


def _outruns_the_gun(found: Estimate, d: float, *, air: bool) -> bool:
    flow = found.amount(FLOW).value
    if flow <= 0.0 or not found.look.seen:
        return False
    drip_s, surge_s, _ = _fast_s(found)
    if min(drip_s, surge_s) > 0.0 and drip_s + surge_s > SURGE_S:
        return True
    jet, drip, slow = found.amount(JET), found.amount(DRIP), found.amount(SLOW)
    too_much = [
        (_drip_g(found), drip.u, DRIP_S, DRIP_PACE * _tau_s(found, LOG_DRIP)),
        (_surge_g(found), slow.u, SURGE_S, SURGE_PACE * _tau_s(found, LOG_SLOW)),
    ]
    too_little = [
        (-jet.value, jet.u, PULLS_S, 0.0),
        (_late_g(found), slow.u, LATE_S, LATE_PACE * _tau_s(found, LOG_SLOW)),
    ]
    return any(
        grams_g > max(STEP_D * d, LEAST_U * u_g) and grams_g > flow * max(least_s, over_s)
        for grams_g, u_g, least_s, over_s in (too_much if air else too_much + too_little)
    )


def _drip_g(found: Estimate) -> float:
    return found.amount(DRIP).value - found.by_filter_g()


def _late_g(found: Estimate) -> float:
    return found.amount(SLOW).value - found.by_filter_g()


def _surge_g(found: Estimate) -> float:
    return -found.amount(SLOW).value


def _tau_s(found: Estimate, which: int) -> float:
    return math.exp(float(found.joint.at[AMOUNTS + which]))
