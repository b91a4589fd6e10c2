"""What is missing of the input, as far as anybody can know.

Numbered readings that never came, and dispenses that the controller told and no scale showed.
"""

from __future__ import annotations

import math
from collections import deque
from typing import Any

from agent.contract.inputs import ControllerEvent, ScaleReading
from agent.contract.times import rfc3339

ALARM = "input-gap"
BELATED = 1000
"""A number so far below the last is a late or repeated reading; further below, a scale that began anew."""
WORTH_TELLING = 5
"""Single readings that a radio link loses are counted; so many in a row are told."""
TOLD_EVERY_S = 10.0
KEPT_SHOTS = 64
MOST_TOLD = 16
READINGS = "readings"


class Gaps:
    """One cell's gaps. `reading` is on the hot path."""

    def __init__(self, cell: str) -> None:
        self.missing = 0
        """Numbered readings that never came."""
        self._cell = cell
        self._last: dict[str, int] = {}
        self._found: list[str] = []
        self._told_s = -math.inf
        self._shots: deque[ControllerEvent] = deque(maxlen=KEPT_SHOTS)

    def reading(self, reading: ScaleReading) -> None:
        """Look at a reading's number."""
        seq = reading.seq
        if seq is None:
            return
        last = self._last.get(reading.scale)
        if last is not None and 0 <= last - seq < BELATED:
            return
        self._last[reading.scale] = seq
        if last is None or seq <= last + 1:
            return
        lost = seq - last - 1
        self.missing += lost
        if lost >= WORTH_TELLING:
            self._found.append(f"{READINGS} {last + 1} to {seq - 1} of scale {reading.scale} ({lost})")

    def opened(self, event: ControllerEvent) -> None:
        """A gun opened for a shot or a bleed: it should be measured."""
        if event.event == "gun_opened" and event.purpose in ("shot", "bleed") and not event.retained:
            self._shots.append(event)

    def measured(self, origin: str) -> None:
        """A dispense was given; `origin` is the id of its opening where the controller told one."""
        for shot in self._shots:
            if shot.event_id == origin:
                self._shots.remove(shot)
                return

    def settled(self, awaited: set[str], belated: int) -> None:
        """Openings that are no longer waited for, and gave no dispense, could not be measured.

        `belated` of them were told by the scale alone before the controller's word came.
        """
        gone = [shot for shot in self._shots if shot.event_id not in awaited]
        for n, shot in enumerate(gone):
            self._shots.remove(shot)
            if n >= belated:
                self._found.append(
                    f"the {shot.purpose} of gun {shot.gun} at {rfc3339(shot.t_s)}: not measured"
                )

    def to_tell(self, now_s: float) -> str | None:
        """What was found missing and not told yet, in a sentence; not more often than each ten seconds."""
        if not self._found or abs(now_s - self._told_s) < TOLD_EVERY_S:
            return None
        self._told_s = now_s
        # Of shots each is named; of readings there are many, and they are counted elsewhere too.
        found, self._found = sorted(self._found, key=lambda text: text.startswith(READINGS)), []
        more = f" and {len(found) - MOST_TOLD} more" if len(found) > MOST_TOLD else ""
        return f"{self._cell}: missing are {'; '.join(found[:MOST_TOLD])}{more}"

    def kept(self) -> dict[str, Any]:
        """As plain JSON, for the journal."""
        return {"seq": dict(self._last), "untold": self._found[-KEPT_SHOTS:]}

    def restore(self, kept: dict[str, Any]) -> None:
        """Take up what was kept; what came after it and before the end of that run counts as missing too."""
        self._last = {str(scale): int(seq) for scale, seq in kept.get("seq", {}).items()}
        self._found = [str(text) for text in kept.get("untold", [])]
