"""Data for the fit from a scale coarser than its noise: stand-ins for plateaus, intervals for the ramp."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from agent.detection.window import Floats
from agent.flow.curve import AMOUNTS, FLOW, LOG_LAG, axis, edges
from agent.flow.joint import Data, Joint, Prior, fit
from agent.flow.noise import Kept, root_mean_square
from agent.flow.plateaus import DITHERED, StandIn, stand_in
from agent.flow.readings import Left, Readings

NOISES_D = (0.05, 0.1, 0.2, 0.35)
"""Noises of a reading before rounding that are tried, in d."""
FIRST_NOISE_D = 0.1
ROUNDED = 0.36
"""Spread of a ramp about its curve, in d, up to which it is rounding: d over root 12 and a little noise."""
TOLD_PER_STEP = 3.0
"""Independent readings that a ramp gives for each step it crosses (choice of ours)."""
CLEAR_S, SETTLED_S, LONG_SETTLED_S, SETTLED_SHARE = 0.3, 1.5, 5.0, 0.4
"""A plateau ends so long before the liquid comes, and begins so long after it, more where there is plenty."""
LEAST_AT_REST = 4


class Coarse:
    """Makes the data for one window's fits; remembers the stand-ins, which are dear."""

    def __init__(self, readings: Readings) -> None:
        self._readings = readings
        self._known: dict[tuple[int, int, float], StandIn | None] = {}
        self.noise_d: float | None = None
        """Noise before rounding, in d, once the ramp has told it."""

    def data(self, joint: Joint, left: Left) -> Data:
        """The readings, each plateau that does not dither replaced by its stand-in."""
        on, d = self._readings.on, self._readings.resolution_g
        t_s, mass_g = on.t_s, self._readings.mass_g
        start, end, settled = _edges(t_s, joint)
        kept = np.ones(t_s.size, dtype=bool)
        extra: list[tuple[float, float, float]] = []
        for part in (t_s < start - CLEAR_S, t_s > settled):
            rest = part & (left.weight > 0)
            if rest.sum() < LEAST_AT_REST or np.std(mass_g[rest]) > DITHERED * d:
                continue
            found = self._stand_in(rest)
            if found is not None:
                kept &= ~part
                extra += [(t, m, found.noise_g) for t, m in zip(found.t_s, found.mass_g, strict=True)]
        if not extra:
            return self._readings.data(left)
        added = np.array(extra)
        stood = axis(np.concatenate((t_s[kept], added[:, 0])), on.middle_s, on.half_s)
        mass = np.concatenate((mass_g[kept], added[:, 1]))
        spraying = (t_s > start) & (t_s < end) & (left.weight > 0)
        if not spraying.any() or root_mean_square(left.residual_g[spraying]) > ROUNDED * d:
            noise, spread = (
                np.concatenate((each[kept], added[:, 2])) for each in (left.noise_g, left.spread_g)
            )
            return Data(stood, mass, noise, spread_g=spread)
        # The ramp crosses the steps one after the other; there each reading is an interval of its own.
        n = int(kept.sum())
        noise = np.concatenate((np.full(n, (self.noise_d or FIRST_NOISE_D) * d), added[:, 2]))
        half = np.concatenate((np.full(n, 0.5 * d), np.zeros(len(extra))))
        steps = abs(float(joint.at[FLOW])) * (end - start) / d
        return Data(stood, mass, noise, half, min(TOLD_PER_STEP * max(steps, 1.0) / max(n, 1), 1.0))

    def learn_noise(self, data: Data, prior: Prior, joint: Joint) -> bool:
        """Find the noise before rounding; False where the data are no intervals.

        How sharply the ramp steps over the edges between two values tells it; the plateaus cannot.
        """
        if data.half_g is None:
            return False
        between, d = data.half_g > 0, self._readings.resolution_g
        costs = []
        for noise_d in NOISES_D:
            noise = np.where(between, noise_d * d, data.noise_g)
            costs.append(fit(replace(data, noise_g=noise), prior, joint.at, steps=3).cost)
        self.noise_d = NOISES_D[int(np.argmin(costs))]
        return True

    def _stand_in(self, rest: Kept) -> StandIn | None:
        most_d = self.noise_d or DITHERED
        key = int(np.argmax(rest)), int(rest.sum()), most_d
        if key not in self._known:
            readings = self._readings
            self._known[key] = stand_in(
                readings.on.t_s[rest], readings.mass_g[rest], readings.resolution_g, most_d
            )
        return self._known[key]


def _edges(t_s: Floats, joint: Joint) -> tuple[float, float, float]:
    (start, end), lag = edges(joint.at), math.exp(float(joint.at[AMOUNTS + LOG_LAG]))
    plenty = SETTLED_SHARE * (float(t_s[-1]) - end)
    return start, end, end + float(np.clip(plenty, max(SETTLED_S, 6.0 * lag), LONG_SETTLED_S))
