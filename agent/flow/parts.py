"""Where the uncertainty of the grams comes from: readings, rounding, drift, timing, shape."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from agent.detection.window import Floats
from agent.flow.curve import AMOUNTS, LENGTH, LOSS, SIZE, START
from agent.flow.joint import Data, Joint, Prior


@dataclass(frozen=True, slots=True, eq=False)
class Parts:
    """Standard uncertainties of the grams, by where they come from."""

    readings_g: float
    rounding_g: float
    drift_g: float
    drift_below_g: float
    drift_above_g: float
    """How far the 95 % interval of the drift reaches: it may be far from normal, and lopsided."""
    timing_g: float
    """By what is assumed of the valve's delays, where the plateaus do not tell the grams by themselves."""
    shape_g: float
    """By what is assumed of droop, jet, drip and lag."""


NO_PARTS = Parts(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)


def parts_of(
    joint: Joint,
    prior: Prior,
    data: Data,
    by_all: Floats,
    *,
    d: float,
    drift: tuple[float, float, float],
    apart_g: float,
) -> Parts:
    """Split the variance of the grams; `by_all` are their covariances with the parameters, shape (SIZE,).

    The variance of a penalised fit is the sum of what each reading and each prior brings (JCGM 100, 5.1.2):
    C (J' W J + P) C = C for its covariance C. `d` is the resolution, g; `drift` comes
    from the caller, and `apart_g`, how far the grams are from each other by what a slow wave may be.
    """
    # Without the part along the loss, which the drift's own line stands for.
    along = by_all[LOSS] / joint.covariance[LOSS, LOSS]
    rest = by_all - along * joint.covariance[:, LOSS]
    by_reading = np.square(joint.slopes @ rest) * joint.information
    share = np.minimum(d**2 / 12.0 / np.square(data.noise_g), 1.0)
    if data.half_g is not None:
        share = np.ones_like(share)
    rounding = float(by_reading @ share)
    readings = float(by_reading.sum()) - rounding
    if joint.by_waves is not None:
        readings += float(np.sum(np.square(joint.by_waves @ rest)))
    free = np.flatnonzero(prior.u > 0)
    by_prior = np.zeros(SIZE)
    by_prior[free] = np.square(rest[free] / prior.u[free])
    times = [AMOUNTS + START, AMOUNTS + LENGTH]
    timing = float(by_prior[times].sum())
    by_prior[[*times, LOSS]] = 0.0
    return Parts(
        math.sqrt(max(readings, 0.0)),
        math.sqrt(rounding),
        *drift,
        math.sqrt(timing),
        math.hypot(math.sqrt(float(by_prior.sum())), apart_g),
    )
