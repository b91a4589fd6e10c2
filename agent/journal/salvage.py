"""Takes over what is still readable of a damaged journal: rows whose checksum fits, cursors, kept state.

So that a damaged page costs the rows on it and not the ones beside it: what was not sent is sent, with the
same point in the database, and an event that is delivered again is still known.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from agent.journal.chain import BEGINNING, checksum
from agent.journal.database import Database, Tripwire
from agent.journal.errors import JournalBusy, JournalError, JournalFull
from agent.journal.limits import JournalLimits
from agent.journal.outbox import joined, write_ranges
from agent.journal.rows import EVENT_COLUMNS, EVENTS_FROM, RECORD_COLUMNS, RECORDS_FROM, EventRow, Row
from agent.journal.writing import AnyRow, close_chains, insert_event, insert_record, linked

PORTION = 200
LARGEST_GAP = 100_000
"""After so many unreadable rows in a line there is nothing more to find."""


@dataclass(frozen=True, slots=True)
class Salvaged:
    """How much of a damaged journal was taken over."""

    records: int = 0
    events: int = 0
    kept: int = 0


def salvage(damaged: Path, into: Database, limits: JournalLimits) -> Salvaged:
    """Copy what is sound in `damaged` into the new, empty journal, in one transaction."""
    source = _Source(damaged, limits)
    if not source.is_readable():
        return Salvaged()
    try:
        return _copied(source, into)
    except JournalError as fault:
        if fault.must_restart or isinstance(fault, (JournalFull, JournalBusy)):
            raise
        return Salvaged()  # what is readable contradicts itself
    finally:
        source.close()


def _copied(source: _Source, into: Database) -> Salvaged:
    with into.transaction() as cursor:
        copier = _Copier(cursor)
        places: dict[int, int] = {}
        for row, evidence in source.records():
            places[row.seq] = copier.record(row, evidence)
        events = 0
        for event_row in source.events():
            copier.event(event_row)
            events += 1
        close_chains(cursor, copier.ends)
        _copy_cursors(source, cursor, places)
        kept = list(source.kept())
        cursor.executemany("INSERT OR REPLACE INTO kept VALUES (?, ?, ?)", kept)
    return Salvaged(len(places), events, len(kept))


class _Source:
    """A damaged file, read as far as it can be."""

    def __init__(self, path: Path, limits: JournalLimits):
        self.path = path
        self.limits = limits
        self.database: Database | None = None

    def is_readable(self) -> bool:
        return self.read("SELECT count(*) FROM sqlite_master WHERE name = 'records'") == [(1,)]

    def read(self, sql: str, values: tuple[Any, ...] = ()) -> list[tuple[Any, ...]] | None:
        """Rows, or None where the file could not give them."""
        try:
            if self.database is None:
                self.database = Database(self.path, self.limits, Tripwire())
            return self.database.read(sql, values)
        except JournalError:
            # An error of the file closes the connection; the next read opens it anew.
            self.database = None
            return None

    def close(self) -> None:
        if self.database is not None:
            self.database.close()

    def records(self) -> Iterator[tuple[Row, bytes | None]]:
        select = f"SELECT {RECORD_COLUMNS} FROM {RECORDS_FROM}"  # noqa: S608 - fixed names
        for values in self._rows(select):
            row = Row(*values)
            if row.is_intact():
                found = self.read("SELECT data FROM evidence WHERE seq = ?", (row.seq,))
                yield row, bytes(found[0][0]) if found else None

    def events(self) -> Iterator[EventRow]:
        select = f"SELECT {EVENT_COLUMNS} FROM {EVENTS_FROM}"  # noqa: S608 - fixed names
        for values in self._rows(select):
            row = EventRow(*values)
            if row.is_intact():
                yield row

    def kept(self) -> Iterator[tuple[str, bytes, int]]:
        for name, value, crc in self.read("SELECT name, value, crc FROM kept") or []:
            if isinstance(value, bytes) and checksum(value) == crc:
                yield name, value, crc

    def _rows(self, select: str) -> Iterator[tuple[Any, ...]]:
        at, missing = 0, 0
        while missing < LARGEST_GAP:
            rows = self.read(f"{select} WHERE r.seq > ? ORDER BY r.seq LIMIT {PORTION}", (at,))
            if rows == []:
                return
            if rows is None:  # a bad page somewhere in the portion: step over it row by row
                for seq in range(at + 1, at + PORTION + 1):
                    single = self.read(f"{select} WHERE r.seq = ?", (seq,))
                    missing = 0 if single else missing + 1
                    yield from single or []
                at += PORTION
            else:
                missing = 0
                yield from rows
                at = rows[-1][0]


class _Copier:
    """Appends rows that another journal held: what they say stays, their place and the chain are new."""

    def __init__(self, cursor: sqlite3.Cursor):
        self.cursor = cursor
        self.runs: dict[tuple[str, str, str], int] = {}
        self.ends: dict[str, tuple[int, bytes]] = {"records": (0, BEGINNING), "events": (0, BEGINNING)}

    def record(self, row: Row, evidence: bytes | None) -> int:
        row = self._next("records", row)
        insert_record(self.cursor, self._run(row), row)
        if evidence is not None:
            self.cursor.execute("INSERT INTO evidence VALUES (?, ?)", (row.seq, evidence))
        if row.mended_ns is not None:
            self.cursor.execute("INSERT INTO mended VALUES (?, ?)", (row.seq, row.mended_ns))
        if row.held:
            self.cursor.execute("INSERT INTO untrusted VALUES (?)", (row.seq,))
        return row.seq

    def event(self, row: EventRow) -> None:
        row = self._next("events", row)
        insert_event(self.cursor, self._run(row), row)

    def _next(self, chain: str, row: AnyRow) -> AnyRow:
        at, before = self.ends[chain]
        row = linked(replace(row, seq=at + 1), before)
        self.ends[chain] = (row.seq, row.hash)
        return row

    def _run(self, row: Row | EventRow) -> int:
        key = (row.version, row.config, row.boot_id)
        if key not in self.runs:
            self.cursor.execute(
                "INSERT INTO runs (version, config, boot_id, started_ns, ended_ns) VALUES (?, ?, ?, ?, ?)",
                (*key, row.wall_ns, row.wall_ns),
            )
            self.runs[key] = int(self.cursor.lastrowid or 0)
        return self.runs[key]


def _copy_cursors(source: _Source, cursor: Any, places: dict[int, int]) -> None:
    outlets = source.read("SELECT outlet, active FROM outlets") or []
    settled = source.read("SELECT outlet, first_seq, last_seq FROM settled")
    if settled is None:
        return  # then everything is sent again, which the database takes as the same points
    cursor.executemany("INSERT OR REPLACE INTO outlets VALUES (?, ?)", outlets)
    for outlet, _ in outlets:
        ranges = [(first, last) for name, first, last in settled if name == outlet]
        mine = [
            (new, new) for old, new in places.items() if any(first <= old <= last for first, last in ranges)
        ]
        write_ranges(cursor, outlet, joined([(0, 0), *mine]))
