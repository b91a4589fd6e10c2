"""When refused messages become an alarm: a stray one is only counted, a sender gone wrong is not."""

from __future__ import annotations

from collections import deque

WITHIN_S = 600.0
MANY = 20
"""So many refused messages within ten minutes are no accident but a sender that has to be mended."""


class Refusals:
    """Arrival times of the latest refused messages of a cell."""

    def __init__(self) -> None:
        self._lately: deque[float] = deque(maxlen=MANY)

    def add(self, arrived_s: float) -> bool:
        """One more; True where there were many within a while. Then counting begins anew."""
        self._lately.append(arrived_s)
        many = len(self._lately) == MANY and arrived_s - self._lately[0] <= WITHIN_S
        if many:
            self._lately.clear()
        return many
