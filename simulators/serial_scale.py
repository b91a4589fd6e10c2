"""A simulated scale on a serial line: it writes what a scale of that shape writes, by itself or when asked.

The mass comes from outside, as a function of the seconds since the start, so that physics, scenarios and
plain test functions can all stand behind it. Not modelled: the time that a character takes on the wire,
parity and framing errors, the scale's filter (give a mass that has been through one), keys and menus.
"""

from __future__ import annotations

import random
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from types import TracebackType
from typing import Literal, Self, TypeAlias

from agent.contract.units import GRAMS
from simulators.serial_ends import End

Shape: TypeAlias = Literal["status-first", "unit-when-stable", "number-only"]


@dataclass(frozen=True, slots=True)
class Written:
    """One line as it went out: the truth to compare with."""

    t_s: float
    """When, on the monotonic clock."""
    mass_g: float
    """The mass that the line shows: rounded, as the scale's display is."""
    stable: bool


class SerialScale:
    """Writes to its end every `period_s` seconds, or answers `poll` where that is given; for a `with`."""

    def __init__(
        self,
        end: End,
        mass_g: Callable[[float], float],
        *,
        shape: Shape = "status-first",
        unit: str = "g",
        digits: int = 2,
        capacity_g: float = 6100.0,
        period_s: float = 0.1,
        terminator: bytes = b"\r\n",
        poll: bytes | None = None,
        bytes_at_once: int | None = None,
        seed: int = 1,
    ) -> None:
        self.end = end
        self.mass_g = mass_g
        self.shape = shape
        self.unit = unit
        self.digits = digits
        self.capacity_g = capacity_g
        self.period_s = period_s
        self.terminator = terminator
        self.poll = poll
        self.bytes_at_once = bytes_at_once
        self.written: deque[Written] = deque(maxlen=100_000)
        self.silent = False
        """The cable to the scale is out, while the adapter stays."""
        self._faults: deque[Callable[[bytes], bytes]] = deque(maxlen=1000)
        self._random = random.Random(seed)  # noqa: S311  noise, not secrets
        self.began_s = time.monotonic()
        """When the scale was switched on, on the monotonic clock."""
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._work, name="serial-scale", daemon=True)

    def __enter__(self) -> Self:
        """Plug in and begin."""
        self.end.plug()
        self.began_s = time.monotonic()
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Stop and unplug."""
        self._over.set()
        self._thread.join(timeout=5)
        self.end.unplug()

    def elapsed_s(self) -> float:
        """Seconds since the scale was switched on: what `mass_g` is called with."""
        return time.monotonic() - self.began_s

    def unplug(self) -> None:
        """Pull the adapter."""
        self.end.unplug()

    def replug(self) -> None:
        """Put the adapter back; it may come up under another device name."""
        self.end.plug()

    def half_line(self, keep: int = 9) -> None:
        """Cut the next line after `keep` bytes: its end and terminator never come."""
        self._faults.append(lambda line: line[:keep])

    def lose(self, position: int) -> None:
        """Lose one byte of the next line."""
        self._faults.append(lambda line: line[:position] + line[position + 1 :])

    def noise(self, count: int = 20) -> None:
        """Send random bytes before the next line."""
        self._faults.append(lambda line: self._random.randbytes(count) + line)

    def line(self, elapsed_s: float) -> tuple[bytes, Written]:
        """What the scale writes at a time, terminator included, and what it means."""
        step_g = GRAMS[self.unit] * 10.0**-self.digits
        mass_g = self.mass_g(elapsed_s)
        shown = round(mass_g / GRAMS[self.unit], self.digits)
        stable = abs(mass_g - self.mass_g(max(0.0, elapsed_s - 0.5))) < step_g
        over = mass_g > self.capacity_g
        text = _SHAPES[self.shape](shown, self.digits, self.unit, stable, over)
        return text.encode("ascii") + self.terminator, Written(
            self.began_s + elapsed_s, shown * GRAMS[self.unit], stable
        )

    def _work(self) -> None:
        due_s = self.began_s
        asked = b""
        while not self._over.is_set():
            if self.poll is not None:
                asked = (asked + self.end.read(0.02))[-256:]
                while self.poll in asked:
                    asked = asked.partition(self.poll)[2]
                    self._write()
                continue
            self.end.read(0.0)
            self._write()
            due_s = max(due_s + self.period_s, time.monotonic() - self.period_s)
            self._over.wait(max(0.0, due_s - time.monotonic()))

    def _write(self) -> None:
        if self.silent:
            return
        line, truth = self.line(self.elapsed_s())
        whole = line
        while self._faults:
            line = self._faults.popleft()(line)
        if line.endswith(whole):
            self.written.append(truth)
        size = self.bytes_at_once or len(line) or 1
        for start in range(0, len(line), size):
            self.end.write(line[start : start + size])
            if self.bytes_at_once:
                self._over.wait(0.001)


def _status_first(shown: float, digits: int, unit: str, stable: bool, over: bool) -> str:
    status = "OL" if over else "ST" if stable else "US"
    number = "--------" if over else f"{abs(shown):08.{digits}f}"
    return f"{status},GS,{'-' if shown < 0 else '+'}{number}{unit:>3}"


def _unit_when_stable(shown: float, digits: int, unit: str, stable: bool, over: bool) -> str:
    if over:
        return "          H    "
    return f"{'-' if shown < 0 else '+'}{abs(shown):10.{digits}f} {unit if stable else '':<3}"


def _number_only(shown: float, digits: int, _unit: str, _stable: bool, over: bool) -> str:
    return "---------" if over else f"{'-' if shown < 0 else '+'}{abs(shown):8.{digits}f}"


_SHAPES: dict[Shape, Callable[[float, int, str, bool, bool], str]] = {
    "status-first": _status_first,
    "unit-when-stable": _unit_when_stable,
    "number-only": _number_only,
}
