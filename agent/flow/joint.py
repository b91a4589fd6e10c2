"""The joint fit: penalised, robust least squares of the whole reading curve (Gauss-Newton with priors)."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from agent.detection.window import Floats
from agent.flow.curve import (
    AMOUNTS,
    DRIP,
    DRIVEN,
    LENGTH,
    LOG_DRIP,
    LOG_LAG,
    LOG_SLOW,
    SIZE,
    SLOW,
    TIMES,
    Axis,
    columns_and_slopes,
    curve_of,
    edges,
)

TUKEY = 4.685
"""Cut-off of Tukey's biweight for 95 % efficiency at normal errors (Beaton and Tukey 1974)."""
OUTLIERS = 1e-4
"""Chance of a reading that has nothing to do with the curve."""
STEPS, WIDE_STEPS = 12, 5
MOST, WITHIN, NARROW, NARROWING = 0.8, 3.0, 1.5, 4.0
"""Widen until this share lies within so many standard deviations; narrow by this factor, down to nearly 1."""
FEW_IN_PART = 5
SMALL = 1e-3
SHORTEST_S, LOWEST_LOG, HIGHEST_LOG = 0.05, float(np.log(0.01)), float(np.log(20.0))


@dataclass(frozen=True, slots=True, eq=False)
class Prior:
    """What is known of the parameters before: amounts, times, the drip's speed. Shapes (SIZE,)."""

    mean: Floats
    u: Floats
    """Standard uncertainty; 0 holds a parameter where it is."""

    def narrowed(self, which: int, share: float) -> Prior:
        """The prior with one parameter's standard uncertainty times `share`."""
        u = self.u.copy()
        u[which] *= share
        return Prior(self.mean, u)

    def without(self, *, drip: bool, slow: bool, push: bool = True) -> Prior:
        """The prior with drip, slow start or the drip's push left out, where the data cannot carry them."""
        mean, u = self.mean.copy(), self.u.copy()
        for left_out, amount, time in ((drip, DRIP, LOG_DRIP), (slow, SLOW, LOG_SLOW)):
            if left_out:
                mean[amount] = u[amount] = u[AMOUNTS + time] = 0.0
        if push or drip:
            mean[DRIVEN] = u[DRIVEN] = 0.0
        return Prior(mean, u)


@dataclass(frozen=True, slots=True, eq=False)
class Data:
    """Readings as the fit takes them. Shapes (n,)."""

    on: Axis
    mass_g: Floats
    noise_g: Floats
    """Standard deviation of each reading, its rounding included where `half_g` is 0."""
    half_g: Floats | None = None
    """Half a step for readings of a scale coarser than its noise: the truth, with its noise, lies between."""
    told: float = 1.0
    """How much each of those readings counts: many that show one and the same step repeat each other."""
    spread_g: Floats | None = None
    """How far a reading that belongs to the curve may be off it, a standard deviation; None: its noise."""

    @property
    def scale_g(self) -> Floats:
        """Standard deviation of a single reading: its noise counts those that are alike as fewer."""
        return self.noise_g if self.spread_g is None else self.spread_g

    def widened(self, by: float) -> Data:
        """The data with so many times the noise."""
        return replace(self, noise_g=by * self.noise_g, spread_g=by * self.scale_g)


@dataclass(frozen=True, slots=True, eq=False)
class Joint:
    """A fit."""

    at: Floats
    """Amounts, then times, then the drip's speed, shape (SIZE,)."""
    covariance: Floats
    """Shape (SIZE, SIZE); zero rows for what was held."""
    slopes: Floats
    """Derivatives of the curve by the parameters, shape (n, SIZE)."""
    score: Floats
    """Derivative of the log likelihood by each point of the curve, 1/g, shape (n,)."""
    information: Floats
    """What each reading tells, 1/g2, shape (n,): its robust weight over its variance."""
    cost: float
    """Minus twice the logarithm of the evidence, up to a constant (Laplace's approximation)."""
    by_waves: Floats | None = None
    """What waves beside the curve, held by what is known of their size, tell of the parameters: (k, SIZE)."""


def fit(data: Data, prior: Prior, start: Floats, *, steps: int = STEPS) -> Joint:
    """Fit the curve to readings, beginning at `start`.

    Amounts and times move together by scoring steps (Gauss-Newton) that are halved while they do not help.
    Readings further off than a few standard deviations lose weight smoothly and then wholly. Where the start
    is so far away that most would, the noise is widened first and narrowed step by step.
    """
    at = start.copy()
    at[prior.u == 0] = prior.mean[prior.u == 0]
    off = np.abs(data.mass_g - curve_of(data.on, at))
    if data.half_g is not None:
        off = np.maximum(off - data.half_g, 0.0)
    off /= data.scale_g
    wide = _most_off(data.on.t_s, at, off) / WITHIN
    while wide > NARROW:
        at = _moved(data.widened(wide), prior, at, WIDE_STEPS)[0]
        wide /= NARROWING
    at, terms, loss = _moved(data, prior, at, steps)
    free = np.flatnonzero(prior.u > 0)
    precision = 1.0 / prior.u[free] ** 2
    slopes = columns_and_slopes(data.on, at)
    hessian = _hessian(slopes[:, free], terms.information, precision)
    covariance = np.zeros((SIZE, SIZE))
    covariance[np.ix_(free, free)] = _inverse(hessian)
    log_det = float(np.linalg.slogdet(hessian)[1]) - float(np.sum(np.log(precision)))
    return Joint(at, covariance, slopes, terms.score, terms.information, loss + log_det)


def _most_off(t_s: Floats, at: Floats, off: Floats) -> float:
    # Before, in and after the dispense by itself: no plateau may be left out as a whole.
    start, end = edges(at)
    parts = (t_s < start, (t_s >= start) & (t_s <= end), t_s > end)
    return max(float(np.quantile(off[part], MOST)) if part.sum() >= FEW_IN_PART else 0.0 for part in parts)


def with_waves_open(joint: Joint, prior: Prior, waves: Floats, precision: Floats) -> Joint:
    """The fit with the covariance it has beside waves of unknown amounts, shape (n, k), taken out before.

    The Schur complement of the joint information: what the readings say of the waves they do not say of the
    curve.
    """
    free = np.flatnonzero(prior.u > 0)
    apart = waves * joint.information[:, None]
    own = np.linalg.pinv(apart.T @ waves + np.diag(precision), hermitian=True)
    taken = own @ (apart.T @ joint.slopes)
    slopes = joint.slopes - waves @ taken
    by_waves = np.sqrt(precision)[:, None] * taken
    hessian = (slopes[:, free] * joint.information[:, None]).T @ slopes[:, free]
    hessian += by_waves[:, free].T @ by_waves[:, free]
    hessian[np.diag_indices(free.size)] += prior.u[free] ** -2.0
    covariance = np.zeros((SIZE, SIZE))
    covariance[np.ix_(free, free)] = _inverse(hessian)
    return replace(joint, covariance=covariance, slopes=slopes, by_waves=by_waves)


def _moved(data: Data, prior: Prior, at: Floats, steps: int) -> tuple[Floats, _Terms, float]:
    free = np.flatnonzero(prior.u > 0)
    precision = 1.0 / prior.u[free] ** 2
    terms = _terms(data, data.mass_g - curve_of(data.on, at))
    loss = terms.loss + _penalty(at, prior, free)
    for _ in range(steps):
        slopes = columns_and_slopes(data.on, at)[:, free]
        hessian = _hessian(slopes, terms.information, precision)
        move = _solve(hessian, slopes.T @ terms.score - precision * (at[free] - prior.mean[free]))
        for scale in (1.0, 0.5, 0.2, 0.05):
            trial = at.copy()
            trial[free] += scale * move
            _keep_sane(trial)
            tried = _terms(data, data.mass_g - curve_of(data.on, trial))
            trial_loss = tried.loss + _penalty(trial, prior, free)
            if trial_loss <= loss:
                break
        else:
            break
        gain, loss, at, terms = loss - trial_loss, trial_loss, trial, tried
        if gain < SMALL:
            break
    return at, terms, loss


def gain_by(joint: Joint, column: Floats) -> float:
    """How much minus twice the log likelihood would fall by one more column (Rao's score test).

    The column, shape (n,), is first freed of what the fitted parameters could explain.
    """
    weighted = column * joint.information
    shared = joint.slopes.T @ weighted
    own = float(weighted @ column - shared @ (joint.covariance @ shared))
    pull = float(column @ joint.score)
    return pull**2 / own if own > 1e-9 * float(weighted @ column) + 1e-30 else 0.0


def tukey(z: Floats) -> Floats:
    """Weights of standardised residuals by Tukey's biweight."""
    inside = np.maximum(1.0 - np.square(z / TUKEY), 0.0)
    return np.asarray(inside * inside)


class _Terms(NamedTuple):
    loss: float
    score: Floats
    information: Floats


def _terms(data: Data, residual: Floats) -> _Terms:
    z = residual / data.scale_g
    inside = np.maximum(1.0 - np.square(z / TUKEY), 0.0)
    weight = inside * inside
    information = weight / np.square(data.noise_g)
    losses = TUKEY**2 / 3.0 * (1.0 - weight * inside) * np.square(data.scale_g / data.noise_g)
    score = residual * information
    if data.half_g is not None:
        between = data.half_g > 0
        rounded = _rounded(residual[between], data.noise_g[between], data.half_g[between])
        losses[between], score[between], information[between] = (data.told * each for each in rounded)
    return _Terms(float(losses.sum()), score, information)


def _rounded(residual: Floats, noise: Floats, half: Floats) -> tuple[Floats, Floats, Floats]:
    # P(reading) = Phi((r + h)/s) - Phi((r - h)/s), and a small chance of anything at all for what is an
    # outlier.
    from scipy.special import ndtr

    above, below = (residual + half) / noise, (residual - half) / noise
    peak, trough = _density(above), _density(below)
    chance = np.maximum(ndtr(above) - ndtr(below), ndtr(-below) - ndtr(-above))
    whole = (1.0 - OUTLIERS) * chance + OUTLIERS
    slope = -(1.0 - OUTLIERS) * (peak - trough) / (noise * whole)
    curved = (1.0 - OUTLIERS) * (above * peak - below * trough) / (np.square(noise) * whole) + np.square(
        slope
    )
    return -2.0 * np.log(whole), slope, np.maximum(curved, 0.0)


def _density(z: Floats) -> Floats:
    return np.asarray(np.exp(-0.5 * np.square(z)) / np.sqrt(2.0 * np.pi))


def _hessian(slopes: Floats, information: Floats, precision: Floats) -> Floats:
    hessian = (slopes * information[:, None]).T @ slopes
    hessian[np.diag_indices(precision.size)] += precision
    return hessian


def _keep_sane(at: Floats) -> None:
    at[AMOUNTS + LENGTH] = max(at[AMOUNTS + LENGTH], SHORTEST_S)
    logs = slice(AMOUNTS + LOG_LAG, AMOUNTS + TIMES)
    at[logs] = np.clip(at[logs], LOWEST_LOG, HIGHEST_LOG)
    at[DRIVEN] = min(max(at[DRIVEN], 0.0), 1.0)


def _penalty(at: Floats, prior: Prior, free: NDArray[np.intp]) -> float:
    return float(np.sum(np.square((at[free] - prior.mean[free]) / prior.u[free])))


def _scaled(hessian: Floats) -> tuple[Floats, Floats]:
    scale = 1.0 / np.sqrt(np.diag(hessian))
    return scale, hessian * scale[:, None] * scale


def _solve(hessian: Floats, pull: Floats) -> Floats:
    scale, even = _scaled(hessian)
    try:
        return np.asarray(scale * np.linalg.solve(even, scale * pull))
    except np.linalg.LinAlgError:
        return np.asarray(scale * np.linalg.lstsq(even, scale * pull, rcond=None)[0])


def _inverse(hessian: Floats) -> Floats:
    scale, even = _scaled(hessian)
    return np.asarray(scale[:, None] * np.linalg.pinv(even, hermitian=True) * scale)
