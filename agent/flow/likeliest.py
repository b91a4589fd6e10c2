"""Which slow wave it is, if any: the likeliest are fitted with the curve and held against none."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from agent.flow.aliases import Losses, Slow
from agent.flow.beside import LEFT_OUT_G, SIZE_G, Waves, together, waves_of
from agent.flow.choosing import chosen
from agent.flow.curve import LOSS, curve_of, dispensed_g, dispensed_gradient, edges
from agent.flow.evaporation import log_evidence
from agent.flow.joint import Data, Joint, Prior, with_waves_open
from agent.flow.known import Known
from agent.flow.noise import MOST_ALIKE, alikeness

TRIED = 4
"""So many frequencies are tried."""
ROUNDS = 2
NEAR_CYCLES, FEW_CYCLES = 1.0, 3.0
"""Waves that are nearer than this are one; only one of a few cycles can be told from the curve."""
SIZES_G = (0.05, 0.15, 0.5, 1.5)
"""Sizes of a wave that are alike likely before looking: small ones are as usual as large ones (ours)."""
HARDLY = -20.0
RED = 100.0
"""Readings that a draught has made alike may be alike over so many (choice of ours)."""


@dataclass(frozen=True, slots=True)
class Choice:
    """The likeliest slow waves."""

    log_odds: float
    """Of one more wave against none."""
    slow_hz: tuple[float, ...]
    """The frequencies with it."""
    apart_g: float
    """How far the dispensed grams of other likely frequencies are from each other: standard deviation."""


@dataclass(frozen=True, slots=True, eq=False)
class _Tried:
    cost: float
    alike: float
    grams: float
    slow_hz: tuple[float, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Trial:
    """What the fits of all frequencies share."""

    data: Data
    """With the noise of neighbouring readings, which no slow wave touches."""
    rough: Prior
    whole: Prior
    """The prior of a curve that may drip and start slowly: a drip is no wave."""
    joint: Joint
    waves: Waves
    """Those found before."""
    volatile: bool

    def likeliest(self, found: Slow) -> Choice:
        """Try the likeliest frequencies, and none."""
        span_s = float(np.ptp(self.data.on.t_s))
        slow = self.waves.slow_hz
        few = any(hz * span_s <= FEW_CYCLES for hz in slow)
        allowed = [
            hz
            for hz in found.likeliest_hz()
            if all(abs(hz - other) * span_s > NEAR_CYCLES for other in slow)
            and not (few and hz * span_s <= FEW_CYCLES)
        ]
        if not allowed:
            return Choice(HARDLY, slow, 0.0)
        tries = [self._tried(hz) for hz in allowed[:TRIED]]
        best = min(tries, key=lambda each: each.cost)
        before = float(np.interp(best.slow_hz[-1], found.hz, found.log_before)) + math.log(2.0)
        # A draught leaves readings alike with no wave at all. What they tell of a wave is worth less then, by
        # what the best still leaves alike; and by what none does, which a wave makes alike as well.
        none = self._tried(None)
        odds = 0.5 * (none.cost - best.cost) / max(best.alike, min(none.alike, MOST_ALIKE)) + before
        share = np.exp(-0.5 * np.array([each.cost - best.cost for each in tries]) / best.alike)
        share /= share.sum()
        grams = np.array([each.grams for each in tries])
        apart = math.sqrt(float(share @ np.square(grams - share @ grams)))
        return Choice(odds, best.slow_hz, apart)

    def _tried(self, hz: float | None) -> _Tried:
        data, slow = self.data, self.waves.slow_hz
        waves = waves_of(data.on.t_s, slow if hz is None else (*slow, hz), self.waves.others)
        both = together(data, self.rough, self.joint, waves, rounds=ROUNDS)
        prior, joint, waves = self.rough, both.joint, both.waves
        less = replace(data, mass_g=data.mass_g - waves.sum_g)
        if hz is None:
            prior, joint = chosen(less, self.whole, joint)
        opened = with_waves_open(joint, prior, waves.columns, waves.precision)
        loss = Known(float(joint.at[LOSS]), math.sqrt(opened.covariance[LOSS, LOSS]))
        cost = joint.cost + _width(joint, opened, prior, waves) + _size(waves)
        cost -= 2.0 * log_evidence(loss, volatile=self.volatile)
        by_loss = float(opened.covariance[LOSS] @ dispensed_gradient(joint.at)) / loss.u**2
        grams = dispensed_g(joint.at) - by_loss * loss.value
        return _Tried(cost, _alike(less, joint), grams, waves.slow_hz)


def losses_of(joint: Joint, *, volatile: bool) -> Losses:
    """What a fit and the liquid say of the loss."""
    return Losses(float(joint.at[LOSS]), volatile)


def _width(joint: Joint, opened: Joint, prior: Prior, waves: Waves) -> float:
    # Twice the log of how much narrower all became by looking, beyond what the curve's own cost counts.
    free = np.flatnonzero(prior.u > 0)
    square = np.ix_(free, free)
    own = (waves.columns * joint.information[:, None]).T @ waves.columns + np.diag(waves.precision)
    wider = np.linalg.slogdet(opened.covariance[square])[1] - np.linalg.slogdet(joint.covariance[square])[1]
    known = waves.precision[waves.precision > 0.0]
    return float(np.linalg.slogdet(own)[1] - wider - np.sum(np.log(known)))


def _size(waves: Waves) -> float:
    # Minus twice the log chance of the amounts: sizes of all orders for the slow waves, and what fades.
    n = waves.n_slow
    cost = float(waves.precision[n:] @ np.square(waves.amounts[n:]))
    for a, b in waves.amounts[:n].reshape(-1, 2):
        dense = sum(math.exp(-0.5 * (a * a + b * b) / size**2) / size**2 for size in SIZES_G) / len(SIZES_G)
        cost -= 2.0 * math.log(max(dense * SIZE_G**2, 1e-300))
    return cost


def _alike(data: Data, joint: Joint) -> float:
    t_s, kept = data.on.t_s, data.noise_g < LEFT_OUT_G
    left = data.mass_g - curve_of(data.on, joint.at)
    start, end = edges(joint.at)
    return max(alikeness(left[part & kept], RED) for part in (t_s < start, t_s > end))
