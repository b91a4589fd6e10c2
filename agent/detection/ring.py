"""The last minutes of one scale's readings: bounded, in order of time, one reading per time."""

from __future__ import annotations

from array import array
from bisect import bisect_left

import numpy as np
from numpy.typing import NDArray

from agent.detection.window import Floats

MOST_READINGS = 24_000
"""Never more than this, whatever the rate: eight minutes at 50 readings a second, about 400 kB."""
UNKNOWN = 2
"""How a reading whose scale sends no stability flag is marked."""


class Ring:
    """Readings in rising order of time. Costs 17 bytes a reading."""

    __slots__ = ("mass", "stable", "t")

    def __init__(self) -> None:
        self.t = array("d")
        self.mass = array("d")
        self.stable = bytearray()

    def __len__(self) -> int:
        return len(self.t)

    def append(self, t_s: float, mass_g: float, stable: bool | None) -> None:
        """Add a reading that is later than all others."""
        self.t.append(t_s)
        self.mass.append(mass_g)
        self.stable.append(UNKNOWN if stable is None else stable)

    def insert(self, t_s: float, mass_g: float, stable: bool | None) -> bool:
        """Put a reading that came out of order where it belongs. False where its time is taken already."""
        at = bisect_left(self.t, t_s)
        if at < len(self.t) and self.t[at] == t_s:
            return False
        self.t.insert(at, t_s)
        self.mass.insert(at, mass_g)
        self.stable.insert(at, UNKNOWN if stable is None else stable)
        return True

    def forget_before(self, t_s: float) -> None:
        """Drop what is older than a time, and the oldest where there are too many."""
        n = max(bisect_left(self.t, t_s), len(self.t) - MOST_READINGS)
        if n > 0:
            del self.t[:n]
            del self.mass[:n]
            del self.stable[:n]

    def forget_from(self, t_s: float) -> None:
        """Drop what is not older than a time."""
        n = bisect_left(self.t, t_s)
        del self.t[n:]
        del self.mass[n:]
        del self.stable[n:]

    def shift(self, by_s: float) -> None:
        """Bring the readings to a clock that was put forward by `by_s` seconds."""
        self.t = array("d", (np.frombuffer(self.t) + by_s).tobytes()) if self.t else self.t

    def between(self, from_s: float, to_s: float) -> tuple[Floats, Floats]:
        """Times and masses in [from_s, to_s), copied. Shapes (n,)."""
        i, j = bisect_left(self.t, from_s), bisect_left(self.t, to_s)
        return _floats(self.t[i:j]), _floats(self.mass[i:j])

    def stable_between(self, from_s: float, to_s: float) -> NDArray[np.bool_] | None:
        """The scale's own stability flags in [from_s, to_s), or None where it sends none."""
        i, j = bisect_left(self.t, from_s), bisect_left(self.t, to_s)
        flags = self.stable[i:j]
        if not flags or flags.count(UNKNOWN) == len(flags):
            return None
        return np.asarray(np.frombuffer(bytes(flags), dtype=np.uint8) == 1, dtype=np.bool_)


def _floats(numbers: array[float]) -> Floats:
    return np.frombuffer(numbers) if numbers else np.empty(0)
