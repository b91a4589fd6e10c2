"""What keeps the agent alive, as it is now, and whether that is enough."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

STUCK_S = 20.0
"""A worker that has not finished a turn for so long is stuck."""


@dataclass(frozen=True, slots=True)
class OutletVitals:
    """How an outlet stands."""

    alive: bool
    backlog: int
    """Records that it has not forwarded."""
    oldest_s: float | None
    """Age of the oldest of them, seconds."""
    set_aside: int


@dataclass(frozen=True, slots=True)
class JournalVitals:
    """How the journal stands."""

    rows: int
    used_bytes: int
    free_bytes: int
    """Room on its disk."""
    total_bytes: int


@dataclass(frozen=True, slots=True)
class Vitals:
    """What `/health` and `/metrics` ask about the threads and the disk."""

    worker_alive: bool
    turn_age_s: float
    """Since the worker finished its last turn, seconds."""
    network_alive: bool
    """Whether the thread of the MQTT library lives."""
    journal_fault: str | None
    """Why the journal takes no record now; None where it does."""
    journal: JournalVitals | None
    """None where it could not be asked."""
    outlets: Mapping[str, OutletVitals]


@dataclass(frozen=True, slots=True)
class Reason:
    """Why the agent is not healthy."""

    code: str
    text: str


def reasons(vitals: Vitals) -> tuple[Reason, ...]:
    """What of the agent does not work; empty where it is healthy.

    A broker or a database that is away is no reason: the agent waits for it, and a restart helps nothing.
    """
    found: list[Reason] = []
    if not vitals.worker_alive:
        found.append(Reason("worker-dead", "the worker's thread has ended"))
    elif vitals.turn_age_s > STUCK_S:
        text = f"the worker has not finished a turn for {vitals.turn_age_s:.0f} s"
        found.append(Reason("worker-stuck", text))
    if not vitals.network_alive:
        found.append(Reason("network-dead", "the thread that speaks MQTT has ended"))
    if vitals.journal_fault is not None:
        found.append(Reason("journal-not-writable", vitals.journal_fault))
    for name, outlet in sorted(vitals.outlets.items()):
        if not outlet.alive:
            found.append(Reason("outlet-dead", f"the thread of the outlet {name} has ended"))
    return tuple(found)
