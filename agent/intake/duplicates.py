"""Knows what it has seen: a redelivery is the same event, or the same reading, whenever it comes."""

from __future__ import annotations

from array import array
from collections import OrderedDict

from agent.contract.inputs import ScaleReading

REMEMBERED = 5000
"""Events of each cell: weeks of a busy one, and far more than a broker ever queues."""
READINGS = 16_384
"""Numbered readings of each scale: 27 minutes at 10 a second. 64 kB."""


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


class Repeats:
    """The latest numbered readings of each scale that carry a time of their own.

    A gateway that lost its acknowledgements sends them again, much later. By their times alone they would
    look like a clock that was set back. A reading is the same where its number, time and mass are: a scale
    that begins to count anew, or whose clock is set back, has never sent that.
    """

    def __init__(self) -> None:
        self.repeated = 0
        """Readings that came again."""
        self._scales: dict[str, array[int]] = {}

    def is_repeated(self, reading: ScaleReading) -> bool:
        """Whether this reading came before; it is remembered where it did not. On the hot path."""
        seq = reading.seq
        if seq is None or reading.from_arrival:
            return False
        marks = self._scales.get(reading.scale)
        if marks is None:
            marks = self._scales[reading.scale] = array("I", bytes(4 * READINGS))
        mass_g = reading.mass_g
        mark = hash((seq, reading.t_s, -1.0 if mass_g is None else mass_g)) & 0xFFFFFFFF or 1
        at = seq % READINGS
        if marks[at] == mark:
            self.repeated += 1
            return True
        marks[at] = mark
        return False
