"""Puts rows into the journal within a transaction that someone else opened: chain, checksum, frozen time."""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, TypeVar

from agent.contract.inputs import ControllerEvent, RawMessage, Undecodable
from agent.contract.record_json import to_json
from agent.contract.records import Record
from agent.contract.times import epoch_s
from agent.journal.chain import checksum, content, link
from agent.journal.limits import JournalLimits
from agent.journal.rows import Event, EventRow, Row, event_kind, same_event
from agent.journal.stamp import Stamp

MS_NS = 1_000_000
AnyRow = TypeVar("AnyRow", Row, EventRow)


@dataclass(frozen=True, slots=True)
class Run:
    """One start of the agent."""

    number: int
    version: str
    config: str
    boot_id: str


@dataclass(frozen=True, slots=True)
class PreparedRecord:
    """A record ready to be written: everything slow or fallible is done before the transaction begins."""

    id: str
    kind: str
    cell: str
    gun: str | None
    at: str
    at_ms: int
    body: str
    evidence: bytes | None

    @classmethod
    def of(cls, record: Record, evidence: bytes | None) -> PreparedRecord:
        """Raises ValueError where the record's `at` is no time."""
        gun = getattr(record, "gun", None)
        at_ms = round(epoch_s(record.at) * 1000)
        return cls(record.id, record.record, record.cell, gun, record.at, at_ms, to_json(record), evidence)


class Writer:
    """Appends rows inside one transaction and remembers where each chain ends."""

    def __init__(self, cursor: sqlite3.Cursor, run: Run, stamp: Stamp):
        self.cursor = cursor
        self.run = run
        self.stamp = stamp
        self._ends: dict[str, tuple[int, bytes]] = {}

    def records(self, ready: Iterable[PreparedRecord]) -> tuple[list[Row], list[str], list[str]]:
        """Append what is not there yet: (new rows, known ids, those of them that now say something else)."""
        new, known, differing = [], [], []
        for record in ready:
            stored = self.cursor.execute("SELECT body FROM records WHERE id = ?", (record.id,)).fetchone()
            if stored is None:
                new.append(self.record(record))
            else:
                known.append(record.id)
                if stored[0] != record.body:
                    differing.append(record.id)
        return new, known, differing

    def events(self, heard: Iterable[tuple[Event, str, str]]) -> tuple[list[str], list[str], list[str]]:
        """Append (event, key, body) where it is not there yet: (new keys, known keys, differing keys)."""
        new, known, differing = [], [], []
        for event, key, body in heard:
            stored = self.cursor.execute("SELECT body FROM events WHERE id = ?", (key,)).fetchone()
            if stored is None:
                self.event(event, key, body)
                new.append(key)
            else:
                known.append(key)
                if not same_event(stored[0], body):
                    differing.append(key)
        return new, known, differing

    def record(self, new: PreparedRecord) -> Row:
        """Append a record that is not in the journal yet."""
        point_ns = self._free_point(new)
        evidence_sha = hashlib.sha256(new.evidence).digest() if new.evidence is not None else None
        seq, before = self._end("records")
        row = Row(
            seq=seq + 1,
            id=new.id,
            kind=new.kind,
            cell=new.cell,
            gun=new.gun,
            at=new.at,
            point_ns=point_ns,
            body=new.body,
            version=self.run.version,
            config=self.run.config,
            boot_id=self.run.boot_id,
            monotonic_ns=self.stamp.monotonic_ns,
            wall_ns=self.stamp.wall_ns,
            time_trusted=self.stamp.time_trusted,
            evidence_sha=evidence_sha,
            crc=0,
            hash=b"",
        )
        row = self._linked("records", row, before)
        insert_record(self.cursor, self.run.number, row)
        if new.evidence is not None:
            self.cursor.execute("INSERT INTO evidence VALUES (?, ?)", (row.seq, new.evidence))
        if not row.time_trusted:
            self.cursor.execute("INSERT INTO untrusted VALUES (?)", (row.seq,))
        return row

    def event(self, event: Event, key: str, body: str) -> int:
        """Append an event that is not in the journal yet; returns its place."""
        seq, before = self._end("events")
        t_s = event.t_s if isinstance(event, ControllerEvent) else event.arrived_s
        row = EventRow(
            seq=seq + 1,
            id=key,
            kind=event_kind(event),
            cell=event.cell,
            gun=event.gun if isinstance(event, ControllerEvent) else None,
            t_ns=round(t_s * 1000) * MS_NS,
            body=body,
            version=self.run.version,
            config=self.run.config,
            boot_id=self.run.boot_id,
            monotonic_ns=self.stamp.monotonic_ns,
            wall_ns=self.stamp.wall_ns,
            time_trusted=self.stamp.time_trusted,
            crc=0,
            hash=b"",
        )
        row = self._linked("events", row, before)
        insert_event(self.cursor, self.run.number, row)
        return row.seq

    def close_chains(self) -> None:
        """Write where the chains end now; the last step before the commit."""
        close_chains(self.cursor, self._ends)

    def _linked(self, chain: str, row: AnyRow, before: bytes) -> AnyRow:
        row = linked(row, before)
        self._ends[chain] = (row.seq, row.hash)
        return row

    def _end(self, chain: str) -> tuple[int, bytes]:
        if chain not in self._ends:
            row = self.cursor.execute(
                "SELECT last_seq, last_hash FROM chains WHERE name = ?", (chain,)
            ).fetchone()
            self._ends[chain] = (int(row[0]), bytes(row[1]))
        return self._ends[chain]

    def _free_point(self, new: PreparedRecord) -> int:
        """The record's own millisecond, plus nanoseconds made of its id.

        Two points of one series at one time are one point in the database, and some keep only milliseconds:
        so the next millisecond is taken where the series has a record in this one.
        """
        within = int(hashlib.sha256(new.id.encode()).hexdigest()[:12], 16) % MS_NS
        at_ms = new.at_ms
        while True:
            taken = self.cursor.execute(
                "SELECT point_ns, kind, cell, gun FROM records WHERE point_ns BETWEEN ? AND ?",
                (at_ms * MS_NS, at_ms * MS_NS + MS_NS - 1),
            ).fetchall()
            if all((kind, cell, gun) != (new.kind, new.cell, new.gun) for _, kind, cell, gun in taken):
                break
            at_ms += 1
        points = {point for point, _, _, _ in taken}
        point = at_ms * MS_NS + within
        while point in points:
            within = (within + 1) % MS_NS
            point = at_ms * MS_NS + within
        return point


def linked(row: AnyRow, before: bytes) -> AnyRow:
    """The row with its checksum, and with its hash after the row before it."""
    said = content(row.said)
    return replace(row, crc=checksum(said), hash=link(before, row.seq, said))


def insert_record(cursor: sqlite3.Cursor, run: int, row: Row) -> None:
    """Write a record's row as it stands."""
    values = (
        row.seq,
        row.id,
        row.kind,
        row.cell,
        row.gun,
        row.at,
        row.point_ns,
        row.body,
        run,
        row.monotonic_ns,
        row.wall_ns,
        int(row.time_trusted),
        row.evidence_sha,
        row.crc,
        row.hash,
    )
    cursor.execute("INSERT INTO records VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)", values)


def insert_event(cursor: sqlite3.Cursor, run: int, row: EventRow) -> None:
    """Write an event's row as it stands."""
    values = (
        row.seq,
        row.id,
        row.kind,
        row.cell,
        row.gun,
        row.t_ns,
        row.body,
        run,
        row.monotonic_ns,
        row.wall_ns,
        int(row.time_trusted),
        row.crc,
        row.hash,
    )
    cursor.execute("INSERT INTO events VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)", values)


def close_chains(cursor: sqlite3.Cursor, ends: Mapping[str, tuple[int, bytes]]) -> None:
    """Write where the chains end now: name to (last place, last hash)."""
    for name, (seq, last_hash) in ends.items():
        cursor.execute("UPDATE chains SET last_seq = ?, last_hash = ? WHERE name = ?", (seq, last_hash, name))


def quarantine(
    cursor: sqlite3.Cursor, refused: Sequence[tuple[RawMessage, Undecodable]], limits: JournalLimits
) -> None:
    """Keep messages that could not be read, as they came and cut to size; the oldest make room."""
    rows: list[tuple[Any, ...]] = [
        (
            what.topic[:1000],
            message.payload[: limits.quarantine_bytes],
            len(message.payload),
            what.code,
            what.fault[:1000],
            round(what.arrived_s * 1000) * MS_NS,
        )
        for message, what in refused
    ]
    cursor.executemany(
        "INSERT INTO quarantine (topic, payload, bytes, code, fault, arrived_ns) VALUES (?, ?, ?, ?, ?, ?)",
        rows,
    )
    cursor.execute(
        "DELETE FROM quarantine WHERE number <= (SELECT max(number) FROM quarantine) - ?",
        (limits.quarantine_rows,),
    )


def keep_state(cursor: sqlite3.Cursor, name: str, value: bytes) -> None:
    """Remember a small named value; an empty one forgets the name."""
    if value:
        cursor.execute("INSERT OR REPLACE INTO kept VALUES (?, ?, ?)", (name, value, checksum(value)))
    else:
        cursor.execute("DELETE FROM kept WHERE name = ?", (name,))
