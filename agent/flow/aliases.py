"""Slow waves: vibration that the scale samples too rarely, which passes for evaporation, drip or droop.

A curve bends towards a wave of a few cycles in a window. So it is looked for beside the curve: for each
frequency sine and cosine join the fit, and the evidence with them is held against that without (exact, for
all is linear and normal but for the loss, whose likely values `evaporation` knows). A line of a vibration
lies anywhere up to half the sampling rate, so few alias to a slow wave: that is the chance before looking.
The readings at rest must show it by themselves, for a flow that surges makes waves as well.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from agent.detection.window import Floats
from agent.flow.beside import SIZE_G, Bent
from agent.flow.evaporation import NOTHING, log_evidence
from agent.flow.known import Known
from agent.flow.noise import Kept
from agent.flow.priors import LOSS_U

FEWEST_CYCLES, STEP = 0.4, 0.125
"""Cycles in a window, and how finely they are looked for: fewer are a slope and a bend."""
FINE_CYCLES, COARSE_STEP = 4.0, 0.4
"""From so many cycles on they are looked for less finely."""
SLOW_HZ = 0.4
"""Faster ones are lines like others (`tones`)."""
LINES = 8.0
"""Lines that a floor may have (choice of ours): two, as many of their overtones, each with its beat."""
SHAKES = 0.02
"""Chance that a floor shakes where no faster line shows it (choice of ours)."""
TAILS_S, TAIL_G = (0.8, 2.5), 0.1
"""What a drip and the scale's own settling may leave in the readings at rest: times, and a size."""
BLOCK_S, LEAST_AT_REST = 0.5, 3
"""Readings are taken together over so long; so many of such blocks are needed before the flow and after."""
HARDLY = -10.0
"""Log odds of what needs no closer look."""
LOSS_COLUMN = 1


@dataclass(frozen=True, slots=True, eq=False)
class Slow:
    """What the readings say of slow waves. Shapes (k,)."""

    hz: Floats
    log_before: Floats
    """Log of each one's chance before looking."""
    log_odds: Floats
    """Of each against no wave at all."""
    slope_g_per_s: Floats
    """By how much each changes the loss that the curve shows."""

    @property
    def log_total(self) -> float:
        """Log odds of any of them against none."""
        top = float(self.log_odds.max())
        return top + math.log(float(np.sum(np.exp(self.log_odds - top))))

    @property
    def fakes_g_per_s(self) -> float:
        """By how much the loss is off if there is one: root mean square over the likely ones."""
        share = np.exp(self.log_odds - self.log_total)
        return math.sqrt(float(share @ np.square(self.slope_g_per_s)))

    def likeliest_hz(self) -> list[float]:
        """Frequencies with higher odds than those beside them, the likeliest first."""
        odds = np.concatenate(([-np.inf], self.log_odds, [-np.inf]))
        peaks = np.flatnonzero((odds[1:-1] >= odds[:-2]) & (odds[1:-1] > odds[2:]))
        return [float(hz) for hz in self.hz[peaks[np.argsort(-self.log_odds[peaks])]]]


@dataclass(frozen=True, slots=True, eq=False)
class _LookedFor:
    """Frequencies, Hz, and the log chance of each before looking, shapes (k,)."""

    hz: Floats
    log_before: Floats


@dataclass(frozen=True, slots=True)
class Losses:
    """What is known of the loss beside the readings."""

    fitted_g_per_s: float
    volatile: bool


def slow_waves(t_s: Floats, over_g: Floats, rest: Kept, curve: Bent, loss: Losses, *, shakes: bool) -> Slow:
    """Look for slow waves in what a curve and the waves of `curve` leave over, shape (n,).

    `rest` says which readings were taken while nothing flowed, shape (n,). `shakes` says that faster lines
    were found.
    """
    span_s, n = float(np.ptp(t_s)), t_s.size
    t_s, over_g, rest, curve = _in_blocks(t_s, over_g, rest, curve)
    fine = np.arange(FEWEST_CYCLES, FINE_CYCLES, STEP)
    coarse = np.arange(FINE_CYCLES, SLOW_HZ * span_s, COARSE_STEP)
    hz = np.concatenate((fine, coarse)) / span_s
    step = np.concatenate((np.full(fine.size, STEP), np.full(coarse.size, COARSE_STEP)))
    before = np.log(2.0 * LINES * step / n) + (0.0 if shakes else math.log(SHAKES))
    looked_for = _LookedFor(hz, before)
    odds, slope = _evidence(t_s, over_g, curve, looked_for, loss)
    after = np.arange(t_s.size) > np.argmax(~rest)
    if min((rest & after).sum(), (rest & ~after).sum()) < LEAST_AT_REST:
        odds = np.full(hz.size, 2.0 * HARDLY)
    elif odds.max() > HARDLY:
        resting = _resting(t_s, (rest, after), curve, loss)
        odds = np.minimum(odds, _evidence(t_s[rest], over_g[rest], resting, looked_for, loss)[0])
    return Slow(hz, before, odds, slope)


def _in_blocks(t_s: Floats, over_g: Floats, rest: Kept, curve: Bent) -> tuple[Floats, Floats, Kept, Bent]:
    # Means over blocks tell of slow waves all that the readings do. A block with any flow is not at rest.
    weight = np.square(1.0 / curve.noise_g)
    block = np.floor((t_s - t_s[0]) / BLOCK_S).astype(int)
    starts = np.concatenate(([0], np.flatnonzero(np.diff(block)) + 1))
    total = np.add.reduceat(weight, starts)

    def mean(values: Floats) -> Floats:
        return np.asarray(np.add.reduceat(values * weight, starts) / total)

    slopes = np.column_stack([mean(column) for column in curve.slopes.T])
    flowing = np.add.reduceat((~rest).astype(float), starts) > 0
    return mean(t_s), mean(over_g), ~flowing, replace(curve, slopes=slopes, noise_g=1.0 / np.sqrt(total))


def _resting(t_s: Floats, parts: tuple[Kept, Kept], curve: Bent, loss: Losses) -> Bent:
    # At rest the curve is a level before, another after, one loss, and what still settles.
    rest, after = parts
    since = np.maximum(t_s - t_s[rest & after][0], 0.0)
    tails = [after * np.exp(-since / tau) for tau in TAILS_S]
    k = curve.n_waves
    slopes = np.column_stack(
        (~after, t_s.mean() - t_s, after, *tails, curve.slopes[:, curve.slopes.shape[1] - k :])
    )
    own = np.array([1e-6, LOSS_U**-2.0, 1e-6, TAIL_G**-2.0, TAIL_G**-2.0])
    precision = np.concatenate((own, curve.precision[curve.precision.size - k :]))
    pull = np.zeros(precision.size)
    pull[LOSS_COLUMN] = -loss.fitted_g_per_s * precision[LOSS_COLUMN]
    return Bent(slopes[rest], precision, curve.noise_g[rest], pull, k)


def _evidence(
    t_s: Floats, over_g: Floats, curve: Bent, looked_for: _LookedFor, loss: Losses
) -> tuple[Floats, Floats]:
    """Log odds of each wave against none, and how it changes the loss that is seen, g/s."""
    hz, before = looked_for.hz, looked_for.log_before
    turn = 2.0 * np.pi * np.outer(t_s, hz)
    waves = np.concatenate((np.cos(turn), np.sin(turn)), axis=1) / curve.noise_g[:, None]
    told, left = curve.slopes / curve.noise_g[:, None], over_g / curve.noise_g
    back = np.linalg.pinv(told.T @ told + np.diag(curve.precision), hermitian=True)
    shared = told.T @ waves
    moved = back @ (told.T @ left + curve.pull)
    pull = waves.T @ left - shared.T @ moved
    own = waves - told @ (back @ shared)
    k, precision = hz.size, SIZE_G**-2.0
    # For each frequency a pair of equations: [[a, b], [b, c]] (cosine, sine) = (x, y).
    a = np.sum(waves[:, :k] * own[:, :k], axis=0) + precision
    b = np.sum(waves[:, :k] * own[:, k:], axis=0)
    c = np.sum(waves[:, k:] * own[:, k:], axis=0) + precision
    x, y = pull[:k], pull[k:]
    determinant = np.maximum(a * c - b * b, precision**2)
    cos, sin = (c * x - b * y) / determinant, (a * y - b * x) / determinant
    log = 0.5 * (x * cos + y * sin) - 0.5 * np.log(determinant / precision**2)
    # The loss beside the wave, and how likely that is, against the loss without it.
    by = back[LOSS_COLUMN] @ shared
    u, v = by[:k], by[k:]
    none = Known(loss.fitted_g_per_s + float(moved[LOSS_COLUMN]), math.sqrt(back[LOSS_COLUMN, LOSS_COLUMN]))
    slope = -(u * cos + v * sin)
    variance = none.u**2 + (c * u * u - 2.0 * b * u * v + a * v * v) / determinant
    odds = before + log - log_evidence(none, volatile=loss.volatile)
    # The likeliest loss that there is bounds them: most need no closer look.
    worth = odds + log_evidence(Known(NOTHING[0], none.u), volatile=loss.volatile) > HARDLY
    for i in range(hz.size):
        if worth[i]:
            beside = Known(none.value + float(slope[i]), math.sqrt(float(variance[i])))
            odds[i] += log_evidence(beside, volatile=loss.volatile)
        else:
            odds[i] = 2.0 * HARDLY
    return odds, slope
