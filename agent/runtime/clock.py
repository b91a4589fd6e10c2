"""Clocks of the running agent: UTC that flows with the monotonic clock, so that a step of the system's
clock never bends a duration.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from typing import Protocol

from agent.clock import Step, TiedClock
from agent.contract.times import is_plausible
from agent.journal.stamp import Stamp, boot_id


class Clock(Protocol):
    """What the runtime needs of a clock."""

    def now_s(self) -> float:
        """UTC, epoch seconds; never runs backwards but at a re-tie."""

    def retie(self, *, quiet: bool) -> Step | None:
        """Look at the system's clock; follow it. `quiet` says that no dispense is running now."""


class SystemClock:
    """The machine's time, tied to its monotonic clock: a step is followed once nothing is being measured."""

    def __init__(self) -> None:
        self._tied = TiedClock()
        # The network's thread dates what arrives while the worker follows a step.
        self._lock = threading.Lock()

    def now_s(self) -> float:
        """UTC, epoch seconds."""
        with self._lock:
            return self._tied.utc_s(self._tied.now_s())

    def retie(self, *, quiet: bool) -> Step | None:
        """Follow the system's clock; call it about once a second. A step that was followed now, if any."""
        with self._lock:
            step = self._tied.retie()
            if step is None or not quiet:
                return None
            self._tied.take_step()
        return step


def stamped_by(clock: Clock) -> Callable[[], Stamp]:
    """The journal's stamps by the agent's own clock.

    While a step waits for the end of a dispense, the system may show the right time and the agent's records
    still stand on the wrong one: whether a row can be trusted is a question to the clock it was dated by.
    """

    def stamp() -> Stamp:
        now_s = clock.now_s()
        return Stamp(boot_id(), time.monotonic_ns(), round(now_s * 1e9), is_plausible(now_s))

    return stamp


class BorrowedClock:
    """Somebody else's clock, for demonstrations: a simulated cell's, which runs faster than real time."""

    def __init__(self, now_s: Callable[[], float]) -> None:
        self._now_s = now_s

    def now_s(self) -> float:
        """Epoch seconds of the simulated time."""
        return self._now_s()

    def retie(self, *, quiet: bool) -> Step | None:  # noqa: ARG002  nobody sets a simulated clock
        """Nothing to follow."""
        return None
