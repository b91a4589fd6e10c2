"""The slope of a scale at rest: evaporation makes it fall, a leaking seat makes it rise.

Every calm stretch is fitted with a straight line; its slope is joined to what was known by a Kalman filter
of one state that walks at random, so that a new bucket or a warmer afternoon is followed within minutes.
"""

from __future__ import annotations

import math

SHORTEST_S = 8.0
"""A shorter stretch says nothing that the next shot's own plateaus do not say better."""
LONGEST_S = 30.0
WALK_G_PER_S_ROOT_S = 1e-4
"""How far the true slope walks: 0.0008 g/s in a minute, 0.006 in an hour; common practice, no source."""
FIRST_U_G_PER_S = 0.05


class IdleSlope:
    """Learns the idle slope of one scale, g/s, from blocks at rest."""

    __slots__ = ("_at_s", "_from_s", "_n", "_resolution_g", "_s", "slope_g_per_s", "stretches", "u_g_per_s")

    def __init__(self, resolution_g: float) -> None:
        self._resolution_g = resolution_g
        self.slope_g_per_s: float | None = None
        self.u_g_per_s = FIRST_U_G_PER_S
        self.stretches = 0
        self._at_s = 0.0
        self._from_s = 0.0
        self._n = 0
        self._s = (0.0, 0.0, 0.0, 0.0, 0.0)

    def add(self, t_s: float, mass_g: float) -> None:
        """A block at rest."""
        if self._n == 0:
            self._from_s = t_s
            self._s = (0.0, 0.0, 0.0, 0.0, mass_g)
        x = t_s - self._from_s
        if x < 0.0:
            self._n = 0
            return
        sx, sxx, sy, sxy, zero = self._s
        y = mass_g - zero
        self._s = (sx + x, sxx + x * x, sy + y, sxy + x * y, zero)
        self._n += 1
        if x >= LONGEST_S:
            self.end(t_s)

    def end(self, t_s: float) -> None:
        """Rest is over: learn from what was seen of it."""
        n, lasted_s = self._n, t_s - self._from_s
        self._n = 0
        if n < 8 or lasted_s < SHORTEST_S:
            return
        sx, sxx, sy, sxy, _ = self._s
        spread = sxx - sx * sx / n
        if spread <= 0.0:
            return
        seen = (sxy - sx * sy / n) / spread
        # Rounded levels may stand still while the mass creeps by half a step: that bounds what a line says.
        u_seen = math.hypot(0.3 * self._resolution_g / math.sqrt(spread), 0.3 * self._resolution_g / lasted_s)
        self._join(seen, u_seen, t_s)

    def forget_stretch(self) -> None:
        """What was being looked at is worth nothing: the container was touched."""
        self._n = 0

    def shift(self, by_s: float) -> None:
        """The scale's clock was put forward."""
        self._from_s += by_s
        self._at_s += by_s

    def restore(self, slope_g_per_s: float | None, u_g_per_s: float, at_s: float) -> None:
        """Take up what was written down."""
        self.slope_g_per_s, self.u_g_per_s, self._at_s = slope_g_per_s, u_g_per_s, at_s

    def state(self) -> tuple[float | None, float, float]:
        """What to write down, for `restore`."""
        return self.slope_g_per_s, self.u_g_per_s, self._at_s

    def _join(self, seen: float, u_seen: float, t_s: float) -> None:
        self.stretches += 1
        if self.slope_g_per_s is None:
            self.slope_g_per_s, self.u_g_per_s, self._at_s = seen, min(u_seen, FIRST_U_G_PER_S), t_s
            return
        variance = self.u_g_per_s**2 + WALK_G_PER_S_ROOT_S**2 * max(t_s - self._at_s, 0.0)
        surprise = seen - self.slope_g_per_s
        # A step (a new bucket, a lid taken off) is believed at once when it is far outside of both.
        if abs(surprise) > 5.0 * math.sqrt(variance + u_seen**2):
            variance += surprise**2
        gain = variance / (variance + u_seen**2)
        self.slope_g_per_s += gain * surprise
        self.u_g_per_s = math.sqrt((1.0 - gain) * variance)
        self._at_s = t_s
