"""Asks the threads, the journal and the disk how they are. Reads only, on a connection of its own."""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from agent.contract.times import epoch_s
from agent.health.vitals import JournalVitals, OutletVitals, Vitals
from agent.journal.errors import JournalError
from agent.journal.outbox import gaps, read_ranges
from agent.journal.reading import JournalReader
from agent.journal.retention import used_bytes
from agent.journal.space import Space

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Pulse:
    """What the running agent's own values say; cheap, and safe to ask from any thread."""

    threads: Mapping[str, bool]
    """By name of the thread, `worker` and the outlets: whether it lives."""
    turn_age_s: float
    network_alive: bool
    journal_fault: str | None
    now_s: float
    """The agent's clock."""


class Gatherer:
    """Gathers the vitals of one agent."""

    def __init__(self, state_dir: Path, outlets: tuple[str, ...], pulse: Callable[[], Pulse]) -> None:
        """`outlets` are the names that the journal's outbox knows them by."""
        self._folder = state_dir
        self._outlets = outlets
        self._pulse = pulse
        self._reader: JournalReader | None = None

    def gather(self) -> tuple[Pulse, Vitals]:
        """How everything is now."""
        pulse = self._pulse()
        journal, outlets = self._from_journal(pulse)
        return pulse, Vitals(
            worker_alive=pulse.threads.get("worker", False),
            turn_age_s=pulse.turn_age_s,
            network_alive=pulse.network_alive,
            journal_fault=pulse.journal_fault or (None if journal else "the journal cannot be read"),
            journal=journal,
            outlets=outlets,
        )

    def close(self) -> None:
        """Close the journal's connection."""
        if self._reader is not None:
            self._reader.close()
            self._reader = None

    def _from_journal(self, pulse: Pulse) -> tuple[JournalVitals | None, dict[str, OutletVitals]]:
        try:
            if self._reader is None:
                self._reader = JournalReader.of_folder(self._folder)
            reader, space = self._reader, Space.of(self._folder)
            rows = reader.database.one("SELECT last_seq - pruned_seq FROM chains WHERE name = 'records'")
            journal = JournalVitals(
                int(rows or 0), used_bytes(reader.database), space.free_bytes, space.total_bytes
            )
            return journal, {name: _outlet(reader, name, pulse) for name in self._outlets}
        except (JournalError, OSError) as fault:
            log.warning("health cannot ask the journal: %s", fault)
            return None, {}


def _outlet(reader: JournalReader, name: str, pulse: Pulse) -> OutletVitals:
    open_ranges = gaps(read_ranges(reader.database, name), reader.last_seq())
    oldest = reader.records(after_seq=open_ranges[0][0] - 1, limit=1) if open_ranges else []
    aside = reader.database.one("SELECT COUNT(*) FROM set_aside WHERE outlet = ?", (name,))
    return OutletVitals(
        # The MQTT outlet is driven by the worker and has no thread of its own.
        alive=pulse.threads.get(name, True),
        backlog=sum(last - first + 1 for first, last in open_ranges),
        oldest_s=max(0.0, pulse.now_s - epoch_s(oldest[0].at)) if oldest else None,
        set_aside=int(aside or 0),
    )
