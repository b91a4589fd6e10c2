"""The stretches of a scale's readings that dispenses were made of: what is given once is not given again."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from agent.detection.gate import Activity

KEPT_TAKEN = 32
MOST_TAKEN = 512
"""Where a scale does not come to rest: a dispense each 1.2 s, for as long as readings are kept."""
MOST = 3
"""What matters most: shown by the scale, in an activity that is not accounted for."""
BEFORE_S, AFTER_S = 1.5, 1.0
"""What begins so shortly after a dispense, or ends so shortly before it, still belongs to it."""


@dataclass(slots=True)
class Taken:
    """A stretch that a dispense was made of."""

    from_s: float
    to_s: float
    by_curve: bool
    mass_g: float = 0.0

    def reaches(self, from_s: float, to_s: float) -> bool:
        """Whether any of these times may belong to it."""
        return self.to_s + AFTER_S > from_s and self.from_s - BEFORE_S < to_s


def remember(taken: list[Taken], new: Taken, activities: Iterable[Activity]) -> None:
    """Add a stretch; where there are too many, the oldest go of those that matter least.

    What the scale showed within an activity that is not accounted for yet stays, or it would be told again:
    where guns shoot in quick turns one activity has dozens of dispenses, and a line that was too slow brings
    dozens at once while the scale's time stands still.
    """
    taken.append(new)
    if len(taken) <= KEPT_TAKEN:
        return
    undone = [(a.from_s, float("inf") if a.to_s is None else a.to_s) for a in activities if not a.done]

    def matters(one: Taken) -> int:
        return 2 * any(one.reaches(*times) for times in undone) + (one.mass_g > 0.0)

    while len(taken) > KEPT_TAKEN:
        least = min(taken, key=matters)
        if matters(least) == MOST and len(taken) <= MOST_TAKEN:
            return
        taken.remove(least)
