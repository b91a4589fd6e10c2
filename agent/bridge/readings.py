"""From the bytes of one line to readings with a time stamp and a number, and a count of what was not read."""

from __future__ import annotations

import json
from collections import Counter, deque
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from agent.bridge.lines import BadLine, Form, Line, Splitter
from agent.clock import Step, TiedClock
from agent.contract.units import GRAMS
from agent.settings.serial_line import SerialLine

STALL_S = 0.5
"""A line whose bytes stop for so long has lost some: what follows is not its rest."""
QUIET_S = 20.0
"""So long without a change, and a step of the clock bends no dispense."""
KEPT_LINES = 10


@dataclass(frozen=True, slots=True)
class Reading:
    """One reading, ready to be published."""

    line: Line
    t_s: float | None
    """Epoch seconds; None where this machine's clock was never set."""
    seq: int

    def payload(self) -> bytes:
        """The reading in the contract's JSON."""
        body: dict[str, Any] = {"value": self.line.value, "unit": self.line.unit}
        if self.t_s is not None:
            body["t"] = round(self.t_s, 4)
        if self.line.stable is not None:
            body["stable"] = self.line.stable
        body["seq"] = self.seq
        if self.line.overload:
            body["overload"] = True
        return json.dumps(body, separators=(",", ":")).encode()


class Readings:
    """Reads one scale's line. What could not be read leaves a gap in `seq`, so that no loss is silent."""

    def __init__(self, line: SerialLine, clock: TiedClock, resolution_g: float = 0.1) -> None:
        self.clock = clock
        self.faults: Counter[str] = Counter()
        self.last_faults: deque[BadLine] = deque(maxlen=KEPT_LINES)
        self.good = 0
        self.faults_in_a_row = 0
        self.bytes_since_line = 0
        """Bytes since the last good line."""
        self._splitter = Splitter(
            Form(line.form, line.terminator.encode("latin-1"), line.longest_line, line.unit)
        )
        self._character_s = line.character_s
        self._band_g = 5 * resolution_g
        self._seq = 0
        self._opened = False
        self._fed_s = clock.now_s()
        self._rest_g = 0.0
        self._rest_since_s = clock.now_s()

    def opened(self) -> None:
        """The port was opened: what comes first may be the tail of a line, and readings may be lost."""
        if self._opened:
            self._seq += 1
        self._opened = True
        self._splitter.restart()
        self.bytes_since_line = self.faults_in_a_row = 0
        self._fed_s = self.clock.now_s()

    def closed(self) -> None:
        """The port failed or was closed; a line that had begun is a fault."""
        self._count(self._splitter.broken())

    def feed(self, data: bytes, at_s: float) -> Iterator[Reading]:
        """The readings that became whole with bytes that were read at `at_s` on the monotonic clock."""
        if not data:
            return
        before_s = self._fed_s
        if self._splitter.in_line and at_s - before_s > STALL_S:
            self._count(self._splitter.broken())
        self.bytes_since_line += len(data)
        for found in self._splitter.feed(data):
            if isinstance(found.what, BadLine):
                self._count(found.what)
                continue
            # Lines that came in one read did not arrive at once: what follows a line in the read took its
            # time on the wire. None of it arrived before the read that came before.
            arrived_s = max(before_s, at_s - found.bytes_after * self._character_s)
            self.bytes_since_line = found.bytes_after
            yield self._reading(found.what, arrived_s)
        self._fed_s = at_s

    def retie(self) -> Step | None:
        """Keep to the system's clock; call it about once a second. The step that was taken, if any."""
        step = self.clock.retie()
        if step is None or (self.clock.trusted() and not self.quiet()):
            return None
        self.clock.take_step()
        return step

    def quiet(self) -> bool:
        """Whether the mass has not moved for a while."""
        return self.clock.now_s() - self._rest_since_s > QUIET_S

    def _reading(self, line: Line, arrived_s: float) -> Reading:
        self.good += 1
        self.faults_in_a_row = 0
        mass_g = (line.value or 0.0) * GRAMS[line.unit]
        if abs(mass_g - self._rest_g) > self._band_g:
            self._rest_g, self._rest_since_s = mass_g, arrived_s
        t_s = self.clock.utc_s(arrived_s) if self.clock.trusted() else None
        reading = Reading(line, t_s, self._seq)
        self._seq += 1
        return reading

    def _count(self, fault: BadLine | None) -> None:
        if fault is None:
            return
        self._seq += 1
        self.faults[fault.code] += 1
        self.last_faults.append(fault)
        self.faults_in_a_row += 1
