"""When a row was committed, on every clock there is, and whether the wall clock can be believed.

A small computer without a battery boots with an old time, and the network mends it later, by minutes or by
years. So each row holds the boot it was written in, the monotonic clock and the wall clock: with them a wrong
time can be found and mended afterwards.
"""

from __future__ import annotations

import time
import uuid
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TypeAlias

from agent.contract.times import is_plausible


@dataclass(frozen=True, slots=True)
class Stamp:
    """One moment on the machine's clocks."""

    boot_id: str
    monotonic_ns: int
    wall_ns: int
    time_trusted: bool
    """Whether the wall clock can be believed; rows written before that are not sent to the database yet."""


Clock: TypeAlias = Callable[[], Stamp]


def machine_clock() -> Stamp:
    """The machine's clocks now; trusted where the year is plausible (2000 to 2099).

    The runtime may know better (a time service's word, a clock that stepped) and pass a clock of its own.
    """
    wall_ns = time.time_ns()
    return Stamp(boot_id(), time.monotonic_ns(), wall_ns, is_plausible(wall_ns / 1e9))


@cache
def boot_id() -> str:
    """The kernel's name for this boot, or one for this process where the kernel gives none."""
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
    except OSError:
        return f"process-{uuid.uuid4()}"
