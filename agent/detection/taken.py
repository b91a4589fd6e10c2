"""The stretches of a scale's readings that dispenses were made of: what is given once is not given again."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from agent.detection.gate import Activity

KEPT_TAKEN = 32
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
    """Add a stretch, and let one go where there are too many: the oldest of those that matter least.

    A line that was too slow brings dozens of dispenses at once while the scale's time stands still. What an
    activity that is not accounted for yet was given for stays, or it would be told again; in a gap of the
    readings, which is one long activity, that is what the scale showed.
    """
    taken.append(new)
    if len(taken) <= KEPT_TAKEN:
        return
    undone = [activity for activity in activities if not activity.done]

    def matters(one: Taken) -> int:
        ends = ((a.from_s, float("inf") if a.to_s is None else a.to_s) for a in undone)
        return 2 * any(one.reaches(*times) for times in ends) + (one.mass_g > 0.0)

    taken.remove(min(taken, key=matters))
