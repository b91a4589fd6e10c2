"""Finds what was done to a journal behind the agent's back: a row changed, removed, moved or added."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from typing import Any

from agent.journal.chain import checksum, content, link
from agent.journal.database import Database
from agent.journal.errors import JournalNotice
from agent.journal.rows import EVENT_COLUMNS, EVENTS_FROM, RECORD_COLUMNS, RECORDS_FROM, EventRow, Row

PORTION = 500


def verify(
    database: Database, anchors: Sequence[tuple[int, str]] = (), *, most: int = 1000
) -> list[JournalNotice]:
    """All faults of the file and of both chains, at most `most`; an empty list is a sound journal.

    `anchors` are (place, hash) pairs that were kept elsewhere (`Journal.head`): with them even a chain that
    was rewritten as a whole is found.
    """
    faults = [
        JournalNotice("journal-corrupt", f"SQLite's integrity check: {text}")
        for (text,) in database.read("PRAGMA integrity_check(20)")
        if text != "ok"
    ]
    # The agent may go on writing: both chains and their ends are looked at as they are at one moment.
    with database.snapshot():
        for name, columns, source, kind in (
            ("records", RECORD_COLUMNS, RECORDS_FROM, Row),
            ("events", EVENT_COLUMNS, EVENTS_FROM, EventRow),
        ):
            select = f"SELECT {columns} FROM {source}"  # noqa: S608 - fixed names
            faults += _Chain(database, name, select, kind).faults(most)
        faults += _evidence(database) + _anchored(database, anchors)
    return faults[:most]


class _Chain:
    def __init__(self, database: Database, name: str, select: str, kind: type[Row] | type[EventRow]):
        self.database = database
        self.name = name
        self.select = select
        self.kind = kind
        self.found: list[JournalNotice] = []
        self.one = name.removesuffix("s")

    def faults(self, most: int) -> list[JournalNotice]:
        ends = self.database.read(
            "SELECT last_seq, last_hash, pruned_seq, pruned_hash FROM chains WHERE name = ?", (self.name,)
        )
        if not ends:
            return [JournalNotice("journal-tampered", f"the end of the chain of {self.name} is missing")]
        last_seq, last_hash, at, before = ends[0]
        known = True
        while len(self.found) < most:
            rows = self.database.read(f"{self.select} WHERE r.seq > ? ORDER BY r.seq LIMIT {PORTION}", (at,))
            if not rows:
                break
            for values in rows:
                row: Any = self.kind(*values)
                if row.seq != at + 1:
                    self._say(f"{_span(self.one, at + 1, row.seq - 1)} removed", row.seq - 1)
                    known = False
                self._check(row, before if known else None)
                at, before, known = row.seq, row.hash, True
        if at < last_seq and len(self.found) < most:
            self._say(f"{_span(self.one, at + 1, last_seq)} removed from the end", last_seq)
        elif at > last_seq:
            self._say(f"{_span(self.one, last_seq + 1, at)} added behind the end", at)
        elif at == last_seq and before != last_hash:
            self._say(f"{self.one} {at} is not the one the chain ended with", at)
        return self.found

    def _check(self, row: Any, before: bytes | None) -> None:
        said = content(row.said)
        if checksum(said) != row.crc:
            self._say(f"{self.one} {row.seq} ({row.id}) was changed: its checksum does not fit", row.seq)
        elif before is not None and link(before, row.seq, said) != row.hash:
            self._say(
                f"{self.one} {row.seq} ({row.id}) does not follow from the one before it: "
                "it was moved, or changed with its checksum",
                row.seq,
            )

    def _say(self, text: str, seq: int) -> None:
        self.found.append(JournalNotice("journal-tampered", text, seq))


def _span(one: str, first: int, last: int) -> str:
    return f"{one} {first} was" if first == last else f"{one}s {first} to {last} were"


def _evidence(database: Database) -> list[JournalNotice]:
    faults: list[JournalNotice] = []
    at = int(database.one("SELECT pruned_seq FROM chains WHERE name = 'evidence'") or 0)
    while True:
        rows = database.read(
            "SELECT r.seq, r.id, r.evidence_sha, e.data FROM records AS r "
            "LEFT JOIN evidence AS e ON e.seq = r.seq "
            "WHERE r.seq > ? AND r.evidence_sha IS NOT NULL ORDER BY r.seq LIMIT 50",
            (at,),
        )
        if not rows:
            return faults
        for seq, name, sha, data in rows:
            if data is None:
                faults.append(
                    JournalNotice("journal-tampered", f"the raw readings of {name} were removed", seq)
                )
            elif hashlib.sha256(data).digest() != sha:
                faults.append(
                    JournalNotice("journal-tampered", f"the raw readings of {name} were changed", seq)
                )
        at = rows[-1][0]


def _anchored(database: Database, anchors: Sequence[tuple[int, str]]) -> list[JournalNotice]:
    faults = []
    pruned = database.one("SELECT pruned_seq FROM chains WHERE name = 'records'") or 0
    for seq, wanted in anchors:
        if seq > max(pruned, 0):
            found = database.one("SELECT hash FROM records WHERE seq = ?", (seq,))
            if not isinstance(found, bytes) or found.hex() != wanted:
                faults.append(
                    JournalNotice(
                        "journal-tampered", f"record {seq} is not the one whose hash was kept elsewhere", seq
                    )
                )
    return faults
