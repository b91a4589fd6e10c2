"""One scale's line in a thread of its own: open, read, publish; say what is wrong and come back by itself."""

from __future__ import annotations

import logging
import threading
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, TypeAlias

from agent.bridge.port import Port, PortError
from agent.bridge.readings import Reading, Readings
from agent.clock import TiedClock
from agent.settings.serial_line import SerialScale

log = logging.getLogger(__name__)

RETRY_S = 1.0
LOOK_ROUND_S = 1.0
REMIND_S = 600.0
"""How often a condition that lasts is told again."""
FAULTS_IN_A_ROW = 10

State: TypeAlias = Literal["starting", "reading", "silent", "unreadable", "no_port"]


@dataclass(frozen=True, slots=True)
class Condition:
    """How it is with a scale's line."""

    state: State
    text: str
    since_s: float
    """Epoch seconds."""


class ScaleLine:
    """Reads one scale until it is told to stop. `publish` is called in this line's own thread."""

    def __init__(self, scale: SerialScale, publish: Callable[[SerialScale, Reading], None]) -> None:
        self.scale = scale
        self.clock = TiedClock()
        self.readings = Readings(scale.line, self.clock, scale.resolution_g)
        self.condition = Condition("starting", "opening the port", time.time())
        self.beat_s = time.monotonic()
        """When the thread last went round, on the monotonic clock."""
        self._publish = publish
        self._condition_told_s = self._faults_told_s = float("-inf")
        self._told_faults: Counter[str] = Counter()
        self._looked_s = self._good_s = self.clock.now_s()
        self._over = threading.Event()
        self._thread = threading.Thread(
            target=self._work, name=f"line-{scale.cell}-{scale.scale}", daemon=True
        )

    def start(self) -> None:
        """Begin to read."""
        self._thread.start()

    def stop(self) -> None:
        """Let go of the port and end the thread; waits a few seconds at most."""
        self._over.set()
        if self._thread.is_alive():
            self._thread.join(timeout=10)

    def alive(self, within_s: float) -> bool:
        """Whether the thread lives and went round within so many seconds."""
        return self._thread.is_alive() and time.monotonic() - self.beat_s < within_s

    def _work(self) -> None:
        while not self._over.is_set():
            self.beat_s = time.monotonic()
            try:
                self._open_and_read()
            except PortError as fault:
                self._tell("no_port", str(fault))
            except Exception:
                # A fault of ours must not leave a scale silent until somebody notices.
                log.exception("%s: reading failed, and begins anew", self.scale)
                self._tell("no_port", "reading failed inside the bridge; its log says where")
            self._over.wait(RETRY_S)

    def _open_and_read(self) -> None:
        port = Port(self.scale.line)
        try:
            self.readings.opened()
            self._good_s = self.clock.now_s()
            self._read(port)
        finally:
            self.readings.closed()
            port.close()

    def _read(self, port: Port) -> None:
        poll = self.scale.line.poll
        asked = poll.encode("latin-1") if poll is not None else None
        due_s = self.clock.now_s()
        while not self._over.is_set():
            self.beat_s = time.monotonic()
            now_s = self.clock.now_s()
            if asked is not None and now_s >= due_s:
                port.write(asked)
                due_s = max(due_s + self.scale.line.poll_period_s, now_s)
            data = port.read()
            at_s = self.clock.now_s()
            for reading in self.readings.feed(data, at_s):
                self._good_s = at_s
                self._publish(self.scale, reading)
                if self.condition.state != "reading":
                    self._tell("reading", f"readings arrive on {self.scale.line.port}")
            if at_s - self._looked_s >= LOOK_ROUND_S:
                self._looked_s = at_s
                if not self._look_round(port, at_s):
                    return

    def _look_round(self, port: Port, now_s: float) -> bool:
        """Once a second; False where the port should be opened anew."""
        step = self.readings.retie()
        if step is not None:
            log.warning(
                "%s: this machine's clock was set by %+.3f s; time stamps follow", self.scale, step.by_s
            )
        if port.moved():
            log.info("%s: %s now leads to another device, or to none", self.scale, self.scale.line.port)
            return False
        self._tell_faults()
        # A connection whose other end has gone looks the same as a quiet scale: only a new one tells.
        return not (self._judge(now_s) and self.scale.line.over_network)

    def _judge(self, now_s: float) -> bool:
        """Say how it is with the line; True where no line could be read for too long."""
        line = self.scale.line
        silent_s = max(self.scale.silent_s, 3 * line.poll_period_s if line.poll is not None else 0.0)
        nothing = now_s - self._good_s > silent_s
        if self.readings.faults_in_a_row >= FAULTS_IN_A_ROW or (nothing and self.readings.bytes_since_line):
            self._tell("unreadable", self._why_unreadable())
        elif nothing:
            how = "answers" if line.poll is not None else "sends by itself"
            self._tell("silent", f"nothing arrives on {line.port}. Is the scale on, its cable in, and {how}?")
        return nothing

    def _why_unreadable(self) -> str:
        line = self.scale.line
        if not self.readings.last_faults:
            return f"bytes arrive on {line.port}, but never the terminator {line.terminator!r}"
        last = self.readings.last_faults[-1]
        return f"no line can be read on {line.port}; the last: {last.text}"

    def _tell_faults(self) -> None:
        """Lines that were not read: at once where they are new, then at most once a minute."""
        new = self.readings.faults - self._told_faults
        if not new or (self._told_faults and self.clock.now_s() - self._faults_told_s < 60.0):
            return
        self._faults_told_s = self.clock.now_s()
        self._told_faults = self.readings.faults.copy()
        counts = ", ".join(f"{count} x {code}" for code, count in sorted(new.items()))
        log.warning(
            "%s: lines not read: %s; the last: %s", self.scale, counts, self.readings.last_faults[-1].text
        )

    def _tell(self, state: State, text: str) -> None:
        now_s = self.clock.now_s()
        same = self.condition.state == state
        news = not same or (state == "no_port" and self.condition.text != text)
        if not news and now_s - self._condition_told_s < REMIND_S:
            return
        self._condition_told_s = now_s
        self.condition = Condition(state, text, self.condition.since_s if same else time.time())
        log.log(logging.INFO if state == "reading" else logging.WARNING, "%s: %s", self.scale, text)
