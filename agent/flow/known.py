"""A number with its standard uncertainty."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Known:
    """A value, its standard uncertainty (JCGM 100) and how many times it was seen."""

    value: float
    u: float
    n: int = 0
    """Number of shots it was learned from; 0 for what was only assumed."""

    def joined(self, other: Known) -> Known:
        """Both together, weighted by the inverse of their variances."""
        mine, theirs = 1.0 / self.u**2, 1.0 / other.u**2
        total = mine + theirs
        return Known(
            (mine * self.value + theirs * other.value) / total, math.sqrt(1.0 / total), self.n + other.n
        )
