"""The gate: a cheap look at each reading that tells when something happens on a scale, and when it is over.

Readings are averaged in blocks of a quarter of a second. The scale is calm while the blocks of the last
`break_s` stay within a band: rounding and noise (2.2 steps or six standard deviations of a block, whichever
is more), plus a slow slope, upwards a quarter of the slowest flow, downwards evaporation (0.08 g/s, more than
the 0.05 g/s of an open bucket of solvent in a draught). What leaves the band begins an activity; an activity
is over when the scale has been calm for `break_s`. What an activity was, `curve` finds out afterwards: the
gate may open for nothing, but never stays shut for a dispense.

The noise is learned from second differences of the blocks, which see neither a level nor a ramp.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

from agent.detection.limits import Limits

BLOCK_S = 0.25
FALLING_G_PER_S = 0.08
REST_S = 0.6
"""An activity that begins again within this time had not ended."""
KEPT_ACTIVITIES = 16
HALF_STEP = 0.29
"""Standard deviation of rounding, in steps of the resolution: 1 over the root of 12."""


@dataclass(slots=True)
class Activity:
    """A stretch in which a scale was not calm. Times on the scale's clock."""

    from_s: float
    """The scale was calm until then at least."""
    to_s: float | None = None
    """Calm from then on; None while it lasts."""
    done: bool = False
    """Whether it has been accounted for."""


class Gate:
    """Calm or not, block by block."""

    __slots__ = (
        "_blocks",
        "_end_s",
        "_limits",
        "_masses",
        "_n",
        "_sum",
        "activities",
        "calm_from_s",
        "noise_g",
    )

    def __init__(self, limits: Limits) -> None:
        self._limits = limits
        self._blocks: deque[tuple[float, float]] = deque()
        self._masses: deque[float] = deque()
        """The means of the blocks alone: looked through at every block."""
        self._end_s = float("-inf")
        self._sum = 0.0
        self._n = 0
        self.noise_g = HALF_STEP * limits.resolution_g
        self.activities: deque[Activity] = deque(maxlen=KEPT_ACTIVITIES)
        self.calm_from_s: float | None = None
        """Since when the scale has been calm; None while it is not, or not known to be."""

    def add(self, t_s: float, mass_g: float) -> tuple[float, float] | None:
        """A reading in order of time. Gives the block (time of its end, mean) it completes, if any."""
        if t_s < self._end_s:
            self._sum += mass_g
            self._n += 1
            return None
        n = self._n
        block = (self._end_s, self._sum / n) if n else None
        self._sum = mass_g
        self._n = 1
        self._end_s = t_s + BLOCK_S
        if block is not None:
            self._block(*block)
        return block

    @property
    def active(self) -> Activity | None:
        """The activity that lasts, if any."""
        last = self.activities[-1] if self.activities else None
        return last if last is not None and last.to_s is None else None

    @property
    def undone(self) -> bool:
        """Whether an activity is not accounted for yet."""
        for activity in self.activities:  # noqa: SIM110  (asked at every block)
            if not activity.done:
                return True
        return False

    def shift(self, by_s: float) -> None:
        """The scale's clock was put forward."""
        self._blocks = deque((t + by_s, v) for t, v in self._blocks)
        self._end_s += by_s
        for activity in self.activities:
            activity.from_s += by_s
            if activity.to_s is not None:
                activity.to_s += by_s
        if self.calm_from_s is not None:
            self.calm_from_s += by_s

    def _block(self, t_s: float, mean_g: float) -> None:
        blocks = self._blocks
        horizon_s = self._limits.break_s
        blocks.append((t_s, mean_g))
        self._masses.append(mean_g)
        if len(blocks) >= 3:
            self._learn_noise(abs(blocks[-1][1] - 2.0 * blocks[-2][1] + blocks[-3][1]))
        while len(blocks) > 2 and t_s - blocks[1][0] >= horizon_s:
            blocks.popleft()
            self._masses.popleft()
        calm = self._is_calm()
        active = self.active
        if active is None:
            if not calm:
                self._begin(blocks[0][0] - BLOCK_S)
            elif self.calm_from_s is None and t_s - blocks[0][0] >= 0.9 * horizon_s:
                self.calm_from_s = blocks[0][0]
        elif calm and t_s - blocks[0][0] >= 0.9 * horizon_s:
            active.to_s = self.calm_from_s = blocks[0][0]

    def _begin(self, from_s: float) -> None:
        last = self.activities[-1] if self.activities else None
        if last is not None and last.to_s is not None and not last.done and from_s < last.to_s + REST_S:
            last.to_s = None
        else:
            self.activities.append(Activity(from_s))
        self.calm_from_s = None

    def _is_calm(self) -> bool:
        blocks = self._blocks
        first_t, first = blocks[0]
        last_t, last = blocks[-1]
        spread = max(self._masses) - min(self._masses)
        limits = self._limits
        band = max(2.2 * limits.resolution_g, 6.0 * self.noise_g)
        slope = 0.25 * limits.slowest_g_per_s if last > first else FALLING_G_PER_S
        return spread <= band + slope * (last_t - first_t)

    def _learn_noise(self, second_difference_g: float) -> None:
        # The median of |b1 - 2 b2 + b3| is 0.6745 x root 6 of a block's standard deviation: steps up and down
        # of equal size find it, however large the outliers. Steps are small: a knock moves it by little.
        noise = self.noise_g
        seen = second_difference_g / 1.652
        noise *= 1.05 if seen > noise else 0.953
        self.noise_g = max(noise, HALF_STEP * self._limits.resolution_g)
