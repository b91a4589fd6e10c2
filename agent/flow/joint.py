"""The joint fit: penalised, robust least squares of the whole reading curve (Gauss-Newton with priors)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from agent.detection.window import Floats
from agent.flow.curve import AMOUNTS, DRIP, LENGTH, LOG_DRIP, LOG_LAG, LOG_SLOW, SLOW, TIMES, Axis, columns

SIZE = AMOUNTS + TIMES
TUKEY = 4.685
"""Cut-off of Tukey's biweight for 95 % efficiency at normal errors (Beaton and Tukey 1974)."""
STEPS = 12
SMALL = 1e-4


@dataclass(frozen=True, slots=True, eq=False)
class Prior:
    """What is known of the parameters before: amounts first, then times. Shapes (SIZE,)."""

    mean: Floats
    u: Floats
    """Standard uncertainty; 0 holds a parameter where it is."""


@dataclass(frozen=True, slots=True, eq=False)
class Joint:
    """A fit."""

    at: Floats
    """Amounts, then times, shape (SIZE,)."""
    covariance: Floats
    """Shape (SIZE, SIZE); zero rows for what was held."""
    residual_g: Floats
    """Reading less curve, shape (n,)."""
    weight: Floats
    """Robust weight of each reading, 0 to 1, shape (n,)."""
    cost: float
    """Minus twice the logarithm of the evidence, up to a constant (Laplace's approximation)."""


def curve_of(on: Axis, at: Floats) -> Floats:
    """The curve at the readings' times, shape (n,)."""
    shape: Floats = columns(on, at[AMOUNTS:]) @ at[:AMOUNTS]
    return shape


def fit(
    on: Axis, mass_g: Floats, noise_g: Floats, prior: Prior, start: Floats, *, steps: int = STEPS
) -> Joint:
    """Fit the curve to readings of standard deviation `noise_g` (shape (n,)), beginning at `start`.

    Amounts and times are moved together by Gauss-Newton steps that are halved while they do not help.
    Readings
    further off than a few standard deviations lose weight smoothly and then wholly (Tukey's biweight).
    """
    free = np.flatnonzero(prior.u > 0)
    precision = 1.0 / prior.u[free] ** 2
    at = start.copy()
    at[prior.u == 0] = prior.mean[prior.u == 0]
    shape = columns(on, at[AMOUNTS:])
    residual = mass_g - shape @ at[:AMOUNTS]
    loss = _loss(residual / noise_g) + _penalty(at, prior, free)
    hessian = np.eye(free.size)
    for _ in range(steps):
        weight = _weight(residual / noise_g)
        slopes = _slopes(on, at, shape)[:, free]
        weighted = slopes * (weight / noise_g**2)[:, None]
        hessian = weighted.T @ slopes
        hessian[np.diag_indices(free.size)] += precision
        pull = weighted.T @ residual - precision * (at[free] - prior.mean[free])
        move = _solve(hessian, pull)
        improved = False
        for scale in (1.0, 0.5, 0.2, 0.05):
            trial = at.copy()
            trial[free] += scale * move
            trial = _kept_sane(trial)
            trial_shape = columns(on, trial[AMOUNTS:])
            trial_residual = mass_g - trial_shape @ trial[:AMOUNTS]
            trial_loss = _loss(trial_residual / noise_g) + _penalty(trial, prior, free)
            if trial_loss <= loss + 1e-9:
                improved = True
                break
        if not improved:
            break
        gain, loss = loss - trial_loss, trial_loss
        at, shape, residual = trial, trial_shape, trial_residual
        if gain < SMALL * (1.0 + 1e-3 * loss):
            break
    covariance = np.zeros((SIZE, SIZE))
    covariance[np.ix_(free, free)] = np.linalg.pinv(hessian, hermitian=True)
    log_det = float(np.linalg.slogdet(hessian)[1]) - float(np.sum(np.log(precision)))
    return Joint(
        at,
        covariance,
        residual,
        _weight(residual / noise_g),
        loss + log_det,
    )


def held(prior: Prior, *, drip: bool, slow: bool) -> Prior:
    """The prior with drip or slow start left out where the data cannot carry them."""
    mean, u = prior.mean.copy(), prior.u.copy()
    for wanted, amount, time in ((drip, DRIP, AMOUNTS + LOG_DRIP), (slow, SLOW, AMOUNTS + LOG_SLOW)):
        if not wanted:
            mean[amount], u[amount], u[time] = 0.0, 0.0, 0.0
    return Prior(mean, u)


def _slopes(on: Axis, at: Floats, shape: Floats) -> Floats:
    # Derivatives by the amounts are the columns; those by the times are taken by differences.
    out = np.empty((on.t_s.size, SIZE))
    out[:, :AMOUNTS] = shape
    here = shape @ at[:AMOUNTS]
    for which in range(TIMES):
        if (which == LOG_DRIP and at[DRIP] == 0.0) or (which == LOG_SLOW and at[SLOW] == 0.0):
            out[:, AMOUNTS + which] = 0.0
            continue
        times = at[AMOUNTS:].copy()
        times[which] += 1e-4
        out[:, AMOUNTS + which] = (columns(on, times) @ at[:AMOUNTS] - here) / 1e-4
    return out


def _kept_sane(at: Floats) -> Floats:
    at[AMOUNTS + LENGTH] = max(at[AMOUNTS + LENGTH], 0.05)
    logs = slice(AMOUNTS + LOG_LAG, SIZE)
    at[logs] = np.clip(at[logs], np.log(0.01), np.log(20.0))
    return at


def _weight(z: Floats) -> Floats:
    weight: Floats = np.square(np.clip(1.0 - np.square(z / TUKEY), 0.0, None))
    return weight


def _loss(z: Floats) -> float:
    # Tukey's biweight, scaled so that a small residual counts z^2.
    inside = np.clip(1.0 - np.square(z / TUKEY), 0.0, None)
    return float(np.sum(TUKEY**2 / 3.0 * (1.0 - inside**3)))


def _penalty(at: Floats, prior: Prior, free: np.ndarray[tuple[int], np.dtype[np.intp]]) -> float:
    return float(np.sum(np.square((at[free] - prior.mean[free]) / prior.u[free])))


def _solve(hessian: Floats, pull: Floats) -> Floats:
    try:
        scale = 1.0 / np.sqrt(np.diag(hessian))
        move = np.asarray(scale * np.linalg.solve(hessian * scale[:, None] * scale, scale * pull))
    except np.linalg.LinAlgError:
        move = np.asarray(np.linalg.lstsq(hessian, pull, rcond=None)[0])
    return move
