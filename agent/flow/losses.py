"""Where a curve falls behind its flow while the gun sprays, and what is made of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from agent.detection.window import Window
from agent.flow.curve import JET
from agent.flow.estimate import Estimate
from agent.flow.moved import LEAST_U, STEP_UP, is_step, step_g
from agent.flow.pauses import Loss, Taken, what_took
from agent.flow.shape import Run, Shape

AIR_S, EARLY_S = 0.3, 2.0
"""A loss of so many seconds of the flow counts; what is lost so early is the start's."""
MANY = 3
"""A container is moved once; what is lost again and again is air (as `hidden_steps`)."""
APART_S = 1.2
"""Losses that are closer are one."""
BESIDE_S, GONE_S = 2.0, 4.0
LEAST_READINGS = 3
"""A push of the air is over so long after; the curve is looked at for a second on either side of these."""
AGAIN_S = 0.5
"""A pause is over so long before the end."""
BACK_S = 1.0
"""So soon after air the push of the jet is back."""


@dataclass(frozen=True, slots=True)
class Losses:
    """What the losses of one dispense say."""

    moved: bool
    air: bool
    doubted_s: float
    """What may be air or the container's, in seconds of the flow."""


def losses_of(window: Window, found: Estimate, shape: Shape, resolution_g: float) -> Losses:
    """Judge each loss that detection or the shape of the ramp shows."""
    steady = shape.steady_g_per_s
    if steady <= 0.0:
        return Losses(bool(window.losses_s), air=False, doubted_s=0.0)
    moved = air = False
    doubted_s = 0.0
    ends_s: list[float] = []
    least_g = min(AIR_S * steady, step_g(found, resolution_g))
    runs = [run for run in shape.runs if -run.lasting_g > max(least_g, LEAST_U * run.u_g)]
    for run in runs:
        took = _took(window, found, 0.5 * (run.from_s + run.to_s), steady, resolution_g)
        # What does not flow again before the end is no pause.
        is_clear = took.by is not Loss.UNCLEAR and run.to_s < found.end_s - AGAIN_S
        if took.by is Loss.MOVED or (not is_clear and is_step(run, found, resolution_g)):
            moved = True
            continue
        ends_s.append(run.to_s)
        air = air or (-run.lasting_g > AIR_S * steady and run.to_s > found.start_s + EARLY_S)
        if took.by is not Loss.AIR:
            doubted_s += max(-run.lasting_g, took.grams) / steady
    for at_s in window.losses_s:
        since_s = at_s - window.opened_s
        if any(run.from_s - APART_S < since_s < run.to_s + APART_S for run in runs):
            continue
        if _is_given_back(window, found, since_s, steady):
            continue
        took = _took(window, found, since_s, steady, resolution_g)
        if took.by in (Loss.MOVED, Loss.UNCLEAR):
            moved = True
            continue
        air = True
        if took.by is Loss.MAYBE_AIR:
            doubted_s += took.grams / steady
    for run in shape.runs:
        if run not in runs and is_step(run, found, resolution_g) and not _comes_back(run, ends_s):
            moved = True
    return Losses(moved, air, 0.0 if len(ends_s) >= MANY else doubted_s)


def _took(window: Window, found: Estimate, at_s: float, steady: float, d: float) -> Taken:
    ramp = (found.t_s > found.start_s) & (found.t_s < found.end_s)
    return what_took(
        found.t_s[ramp],
        window.mass_g[ramp],
        at_s,
        flow_g_per_s=steady,
        jet_g=found.amount(JET).value,
        lag_s=found.lag_s,
        least_g=d / np.sqrt(12.0),
    )


def _is_given_back(window: Window, found: Estimate, at_s: float, steady: float) -> bool:
    # A draught pushes for some seconds and is gone: the curve goes on where it would have been.
    off_g = window.mass_g - steady * found.t_s
    ramp = (found.t_s > found.start_s) & (found.t_s < found.end_s)
    before = off_g[ramp & (np.abs(found.t_s - at_s + BESIDE_S) < 1.0)]
    after = off_g[ramp & (np.abs(found.t_s - at_s - GONE_S) < 1.0)]
    if min(before.size, after.size) < LEAST_READINGS:
        return False
    return float(np.median(before) - np.median(after)) < AIR_S * steady


def _comes_back(run: Run, ends_s: list[float]) -> bool:
    return run.extreme > STEP_UP and any(0.0 <= run.from_s - end_s < BACK_S for end_s in ends_s)
