"""Waves beside a curve: both fitted together, for a curve bends towards a wave that nobody took out."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from agent.detection.window import Floats
from agent.flow.curve import AMOUNTS, LOG_LAG, curve_of
from agent.flow.joint import Data, Joint, Prior, fit

SIZE_G = 0.5
"""Standard deviation of a slow wave's sine or cosine before looking (choice of ours)."""
OFF_CYCLES = 0.125
"""How far a slow wave's frequency may be off where it was looked for, in cycles in the window."""
FADES_G = 10.0
"""What a scale may still have to settle when a window begins (choice of ours)."""
LEFT_OUT_G = 1e6
"""Noise of readings that tell nothing."""


@dataclass(frozen=True, slots=True, eq=False)
class Bent:
    """A fitted curve that may bend towards a wave, and is bent back. Shapes (n, m), (m,), (n,), (m,)."""

    slopes: Floats
    precision: Floats
    noise_g: Floats
    pull: Floats
    """How the prior pulls the parameters from where they are, 1/parameter."""
    n_waves: int = 0
    """So many of the last columns are waves."""

    def with_waves(self, waves: Waves) -> Bent:
        """The curve with waves that may change as it does."""
        return replace(
            self,
            slopes=np.column_stack((self.slopes, waves.columns)),
            precision=np.concatenate((self.precision, waves.precision)),
            pull=np.concatenate((self.pull, np.zeros(waves.precision.size))),
            n_waves=self.n_waves + waves.precision.size,
        )


@dataclass(frozen=True, slots=True, eq=False)
class Waves:
    """Sine and cosine of slow waves, then what fades, then sine and cosine of each line."""

    slow_hz: tuple[float, ...]
    columns: Floats
    """Shape (n, k)."""
    precision: Floats
    """What is known of their amounts before, 1/g2, shape (k,)."""
    amounts: Floats
    """g, shape (k,)."""

    @property
    def n_slow(self) -> int:
        """How many of the columns are slow waves'."""
        return 2 * len(self.slow_hz)

    @property
    def sum_g(self) -> Floats:
        """All together at the readings' times, shape (n,)."""
        return np.asarray(self.columns @ self.amounts)

    @property
    def slow_g(self) -> Floats:
        """The slow ones alone, shape (n,)."""
        return np.asarray(self.columns[:, : self.n_slow] @ self.amounts[: self.n_slow])

    @property
    def others(self) -> Floats:
        """The columns that are no slow waves, shape (n, m)."""
        return self.columns[:, self.n_slow :]

    @property
    def hum_g(self) -> float:
        """Root mean square of all but what fades."""
        fades = self.n_slow
        return float(np.sqrt(np.mean(np.square(self.sum_g - self.columns[:, fades] * self.amounts[fades]))))

    def by_hz(self, t_s: Floats) -> Floats:
        """Derivatives by the slow waves' frequencies, g/Hz, shape (n, slow waves)."""
        cos, sin = self.columns[:, : self.n_slow : 2], self.columns[:, 1 : self.n_slow : 2]
        a, b = self.amounts[: self.n_slow : 2], self.amounts[1 : self.n_slow : 2]
        return np.asarray(2.0 * np.pi * t_s[:, None] * (cos * b - sin * a))


@dataclass(frozen=True, slots=True, eq=False)
class Together:
    """A curve and the waves beside it."""

    joint: Joint
    waves: Waves


def fading(t_s: Floats, joint: Joint) -> Floats:
    """What the scale's filter still held of before when the window began, per gram, shape (n, 1)."""
    lag_s = math.exp(float(joint.at[AMOUNTS + LOG_LAG]))
    return np.asarray(np.exp((t_s[0] - t_s) / lag_s)[:, None])


def waves_of(t_s: Floats, slow_hz: tuple[float, ...], others: Floats) -> Waves:
    """The waves' columns, their amounts still nothing; `others` begin with what fades, shape (n, m)."""
    turn = 2.0 * np.pi * np.outer(t_s, np.array(slow_hz))
    slow = np.stack((np.cos(turn), np.sin(turn)), axis=2).reshape(t_s.size, -1)
    precision = np.zeros(slow.shape[1] + others.shape[1])
    precision[: slow.shape[1]] = SIZE_G**-2.0
    precision[slow.shape[1]] = FADES_G**-2.0
    columns = np.column_stack((slow, others))
    return Waves(slow_hz, columns, precision, np.zeros(precision.size))


def bent(prior: Prior, joint: Joint, noise_g: Floats) -> Bent:
    """A fitted curve as far as it may still bend. The loss is its second column."""
    free = np.flatnonzero(prior.u > 0)
    precision = prior.u[free] ** -2.0
    return Bent(joint.slopes[:, free], precision, noise_g, (prior.mean - joint.at)[free] * precision)


def fitted(waves: Floats, precision: Floats, over_g: Floats, curve: Bent) -> tuple[Floats, Floats]:
    """Amounts of waves, shape (n, k), in what a curve leaves over, and what both leave of it."""
    k = waves.shape[1]
    whole = np.column_stack((waves, curve.slopes))
    own = np.sqrt(np.concatenate((precision, curve.precision)))
    pull = np.concatenate((np.zeros(k), curve.pull)) / np.where(own > 0.0, own, 1.0)
    target = np.concatenate((over_g / curve.noise_g, pull))
    rows = np.vstack((whole / curve.noise_g[:, None], np.diag(own)))
    amounts = np.linalg.lstsq(rows, target, rcond=None)[0]
    return amounts[:k], over_g - whole @ amounts


def together(data: Data, prior: Prior, joint: Joint, waves: Waves, *, rounds: int) -> Together:
    """Fit curve and waves together, the slow waves' frequencies as well.

    In each round all are moved in one linear step, and the curve, which is none, is fitted to what is left.
    """
    t_s = data.on.t_s
    by = OFF_CYCLES / float(np.ptp(t_s))
    scanned = hz = np.array(waves.slow_hz)
    for _ in range(rounds):
        curve = bent(prior, joint, data.noise_g)
        over = data.mass_g - curve_of(data.on, joint.at)
        waves = replace(waves, amounts=fitted(waves.columns, waves.precision, over, curve)[0])
        if hz.size:
            wide = np.column_stack((waves.columns, waves.by_hz(t_s)))
            precision = np.concatenate((waves.precision, np.full(hz.size, by**-2.0)))
            moved = hz + fitted(wide, precision, over, curve)[0][-hz.size :]
            hz = np.maximum(np.clip(moved, scanned - 3.0 * by, scanned + 3.0 * by), by)
            waves = waves_of(t_s, tuple(float(each) for each in hz), waves.others)
            waves = replace(waves, amounts=fitted(waves.columns, waves.precision, over, curve)[0])
        joint = fit(replace(data, mass_g=data.mass_g - waves.sum_g), prior, joint.at)
    return Together(joint, waves)
