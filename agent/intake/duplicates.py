"""Knows the events it has seen: a redelivery of QoS 1 is the same event, whenever it comes."""

from __future__ import annotations

from collections import OrderedDict

REMEMBERED = 5000
"""Events of each cell: weeks of a busy one, and far more than a broker ever queues."""


class Seen:
    """The ids of the latest events of each cell, a bounded number of them."""

    def __init__(self, remembered: int = REMEMBERED) -> None:
        self._remembered = remembered
        # A cell of its own, so that a chatty one cannot push another's ids out.
        self._cells: dict[str, OrderedDict[str, None]] = {}

    def first_time(self, cell: str, event_id: str) -> bool:
        """Whether this event of a cell is new. Asked again with the same id, it is not."""
        ids = self._cells.setdefault(cell, OrderedDict())
        if event_id in ids:
            ids.move_to_end(event_id)
            return False
        ids[event_id] = None
        if len(ids) > self._remembered:
            ids.popitem(last=False)
        return True
