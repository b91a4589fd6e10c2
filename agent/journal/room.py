"""Keeps the journal within its bounds and the disk, and makes room when there is none.

At the journal's own quota the oldest rows go: sent ones first, then unsent ones, which is a declared loss.
On a full disk the ballast goes first, because SQLite needs room even to delete; unsent rows stay whatever
happens.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

from agent.journal.database import PAGE_BYTES, Database
from agent.journal.errors import JournalFull, JournalNotice
from agent.journal.limits import MIB, JournalLimits
from agent.journal.retention import PORTION, Pruned, prune, retain, retain_by_age, used_bytes
from agent.journal.space import Ballast, Space
from agent.journal.stamp import Clock, Stamp

Result = TypeVar("Result")
SMALL_PORTION = 50
"""Rows that go in one transaction while there is next to no room for its log."""
STRANGE_NS = 90 * 86_400 * 1_000_000_000
"""A clock that is so far from what the journal knows does not decide what is old."""


@dataclass(frozen=True, slots=True)
class Tended:
    """What a round of housekeeping found and did."""

    pruned: Pruned
    conditions: Mapping[str, str]
    """By alarm whose condition holds now, a sentence: `disk-filling`, `disk-full`, `outbox-filling`."""
    faults: tuple[JournalNotice, ...]
    """What happened once and has to be told: `records-lost`, damaged rows."""


class Room:
    """The room of one journal: its own bounds, and the disk it is on."""

    def __init__(self, database: Database, clock: Clock):
        self.database = database
        self.limits: JournalLimits = database.limits
        self.folder: Path = database.path.parent
        self._clock = clock
        self._ballast = Ballast(self.folder, self.limits.ballast_bytes)
        self._ballast.restore()
        self._full: str | None = None
        self._begun = clock()
        newest_ns = database.one("SELECT wall_ns FROM records ORDER BY seq DESC LIMIT 1")
        self._long_off = isinstance(newest_ns, int) and abs(self._begun.wall_ns - newest_ns) > STRANGE_NS

    def making(self, write: Callable[[], Result]) -> tuple[Result, float, list[JournalNotice]]:
        """Write; where there is no room make some and write once more: (result, seconds it took, faults)."""
        begun = time.monotonic()
        faults: list[JournalNotice] = []
        try:
            result = write()
        except JournalFull as fault:
            faults += self._make(str(fault))
            result = write()
        took_s = time.monotonic() - begun
        if took_s > self.limits.slow_commit_s:
            text = f"a commit took {took_s:.1f} s; look at the disk or the card"
            faults.append(JournalNotice("journal-slow", text))
        return result, took_s, faults

    def tend(self) -> Tended:
        """Housekeeping: retention by rows, bytes and age, the ballast, room on the disk."""
        now = self._clock()
        pruned = retain(self.database, self.limits, now.wall_ns)
        if self._age_counts(now):
            pruned += retain_by_age(self.database, self.limits, now.wall_ns)
        if self._ballast.restore():
            self._full = None
        return Tended(pruned, self._conditions(), tuple(loss.fault() for loss in pruned.losses))

    def _conditions(self) -> dict[str, str]:
        space, used = Space.of(self.folder), used_bytes(self.database)
        holds: dict[str, str] = {}
        if space.is_low(self.limits):
            free, total = space.free_bytes // 1_000_000, space.total_bytes // 1_000_000
            holds["disk-filling"] = f"{free} MB of {total} MB are left on the disk of {self.folder}"
        if self._full is not None:
            holds["disk-full"] = self._full
        if used > 0.9 * self.limits.quota_bytes:
            used_mb, quota_mb = used // 1_000_000, self.limits.quota_bytes // 1_000_000
            holds["outbox-filling"] = (
                f"the journal holds {used_mb} MB of its quota of {quota_mb} MB, most of it not sent yet; "
                "at the quota the oldest records are lost"
            )
        return holds

    def _age_counts(self, now: Stamp) -> bool:
        """Whether the clock can be believed so far that rows may go for their age alone."""
        run_ns = now.monotonic_ns - self._begun.monotonic_ns
        stepped = abs(now.wall_ns - self._begun.wall_ns - run_ns) > STRANGE_NS
        return now.time_trusted and not stepped and not self._long_off

    def _make(self, why: str) -> list[JournalNotice]:
        return self._below_quota() if self._is_quota() else self._on_full_disk(why)

    def _is_quota(self) -> bool:
        """Whether it is our own quota that is full, and not the disk."""
        used = int(self.database.one("PRAGMA page_count")) * PAGE_BYTES
        return used >= 0.9 * self.limits.quota_bytes and Space.of(self.folder).free_bytes > MIB

    def _below_quota(self) -> list[JournalNotice]:
        wall_ns = self._clock().wall_ns
        pruned = prune(self.database, PORTION, 0, wall_ns, with_events=True)
        if pruned == Pruned():
            pruned = prune(self.database, PORTION, 0, wall_ns, with_events=True, unsent_too=True)
        return [loss.fault() for loss in pruned.losses]

    def _on_full_disk(self, why: str) -> list[JournalNotice]:
        gave = self._ballast.give_up()
        # Pages that are free inside the file let the next rows in without the file growing. Both steps need a
        # little room themselves: where there is none, the next try says so.
        with contextlib.suppress(JournalFull):
            self.database.checkpoint()
            for _ in range(0, PORTION, SMALL_PORTION):
                prune(self.database, SMALL_PORTION, 0, self._clock().wall_ns, with_events=True)
        if self._full is not None:
            return []
        self._full = f"the disk of {self.folder} is full"
        told = "the ballast was given up, and the oldest sent records went" if gave else "no ballast is left"
        return [JournalNotice("disk-full", f"{self._full}; {told} ({why})")]
