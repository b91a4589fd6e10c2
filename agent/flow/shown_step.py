"""The step a scale really shows: a configured resolution is often finer than the display's."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from agent.contract.plan import Scale
from agent.detection.window import Floats

LEAST_VALUES = 6
"""Fewer different readings than this tell of no step."""
EVEN = 0.02
"""Differences between readings are whole multiples of the step to within this part of it."""


def shown_step_g(mass_g: Floats) -> float | None:
    """The step between neighbouring readings, where all differences are whole multiples of it; else None.

    `mass_g` has shape (n,) and only finite values.
    """
    values = np.unique(np.round(mass_g, 6))
    if values.size < LEAST_VALUES:
        return None
    apart = np.diff(values)
    step = float(apart.min())
    multiples = apart / step
    return step if bool(np.all(np.abs(multiples - np.round(multiples)) <= EVEN)) else None


def as_shown(scale: Scale, mass_g: Floats) -> Scale:
    """The scale with the resolution that its readings show, where that is coarser than the configured one."""
    step = shown_step_g(mass_g)
    # Half as much again: a step that only looks coarser because few values were shown is no other step.
    if step is None or step < 1.5 * scale.resolution_g:
        return scale
    return replace(scale, resolution_g=step)
