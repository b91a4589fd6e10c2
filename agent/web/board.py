"""A board: the worker pins the newest snapshot on it, others read it. Neither waits for the other."""

from __future__ import annotations

import time
from dataclasses import dataclass

from agent.web.snapshot import Snapshot

LOOKED_AT_FOR_S = 5.0
"""So long after somebody looked the worker still adds what costs more: the live curves."""


@dataclass(frozen=True, slots=True)
class Pinned:
    """A snapshot and when it was pinned."""

    number: int
    """Grows with every snapshot."""
    snapshot: Snapshot
    monotonic_s: float


class Board:
    """Holds one snapshot. A reference is replaced in one step, so no lock is needed and nobody can wait."""

    def __init__(self) -> None:
        self._pinned: Pinned | None = None
        self._looked_s = float("-inf")

    def pin(self, snapshot: Snapshot) -> None:
        """Replace what hangs there; for the worker alone."""
        number = self._pinned.number + 1 if self._pinned else 1
        self._pinned = Pinned(number, snapshot, time.monotonic())

    def read(self) -> Pinned | None:
        """What hangs there now; None before the worker's first turn."""
        return self._pinned

    def look(self) -> None:
        """Somebody watches a scale now."""
        self._looked_s = time.monotonic()

    @property
    def is_watched(self) -> bool:
        """Whether somebody watched lately."""
        return time.monotonic() - self._looked_s < LOOKED_AT_FOR_S
