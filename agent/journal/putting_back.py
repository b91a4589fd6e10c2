"""Puts a damaged row back as it was written, where the daily backup holds it and the chain proves it."""

from __future__ import annotations

import sqlite3
from pathlib import Path
from typing import TypeVar

from agent.journal.chain import content, link
from agent.journal.database import Database, Tripwire
from agent.journal.errors import JournalError
from agent.journal.rows import EVENT_COLUMNS, EVENTS_FROM, RECORD_COLUMNS, RECORDS_FROM, EventRow, Row

AnyRow = TypeVar("AnyRow", Row, EventRow)
_BOTH = ("monotonic_ns", "wall_ns", "time_trusted", "crc", "hash")
_OWN = {
    "records": ("id", "kind", "cell", "gun", "at", "point_ns", "body", "evidence_sha", *_BOTH),
    "events": ("id", "kind", "cell", "gun", "t_ns", "body", *_BOTH),
}
_SELECT = {
    "records": f"SELECT {RECORD_COLUMNS} FROM {RECORDS_FROM} WHERE r.seq = ?",  # noqa: S608 - fixed names
    "events": f"SELECT {EVENT_COLUMNS} FROM {EVENTS_FROM} WHERE r.seq = ?",  # noqa: S608 - as above
}


class _NotWhole(Exception):  # noqa: N818 - ends a transaction, and is caught where that began
    """The damage is not in the row's own columns."""


def backup_of(folder: Path) -> Path:
    """Where a state folder has its daily backup."""
    return folder / "backup" / "journal.db"


def damaged_copy_of(backup: Path) -> Path:
    """Where a copy lies that is newer than the last sound one and not sound itself."""
    return backup.with_name(f"{backup.stem}-damaged{backup.suffix}")


def put_back(database: Database, damaged: AnyRow) -> AnyRow | None:
    """Write a damaged row anew from a backup; the whole row, or None where that cannot be.

    The copy must be intact, follow from the row before it, and be what the chain goes on from: a row of
    another journal, or of a later forgery, is never taken.
    """
    if database.read_only:
        return None
    backup = backup_of(database.path.parent)
    for path in (backup, damaged_copy_of(backup)):
        if path.exists() and (whole := _from(path, database, damaged)) is not None:
            return whole
    return None


def _from(path: Path, database: Database, damaged: AnyRow) -> AnyRow | None:
    try:
        copy = _copy(path, database, damaged)
        if copy is None or not copy.is_intact() or not _proven(database, damaged, copy):
            return None
        with database.transaction() as cursor:
            return _written(cursor, damaged, copy)
    except (JournalError, sqlite3.Error, _NotWhole):
        return None


def _copy(path: Path, database: Database, damaged: AnyRow) -> AnyRow | None:
    backup = Database(path, database.limits, Tripwire(), read_only=True)
    try:
        rows = backup.read(_SELECT[_table(damaged)], (damaged.seq,))
    finally:
        backup.close()
    return type(damaged)(*rows[0]) if rows else None


def _proven(database: Database, damaged: AnyRow, copy: AnyRow) -> bool:
    table = _table(damaged)
    before = database.one(f"SELECT hash FROM {table} WHERE seq = ?", (damaged.seq - 1,))  # noqa: S608 - fixed
    if before is None:
        asked = "SELECT pruned_hash FROM chains WHERE name = ? AND pruned_seq = ?"
        before = database.one(asked, (table, damaged.seq - 1))
    if not isinstance(before, bytes) or link(before, copy.seq, content(copy.said)) != copy.hash:
        return False
    return copy.hash == damaged.hash or _goes_on(database, damaged, copy)


def _goes_on(database: Database, damaged: AnyRow, copy: AnyRow) -> bool:
    """Whether the row after it, or the chain's end, says that this was its hash."""
    table = _table(damaged)
    rows = database.read(_SELECT[table], (damaged.seq + 1,))
    if rows:
        after = type(damaged)(*rows[0])
        return link(copy.hash, after.seq, content(after.said)) == after.hash
    asked = "SELECT last_hash FROM chains WHERE name = ? AND last_seq = ?"
    return bool(database.one(asked, (table, damaged.seq)) == copy.hash)


def _written(cursor: sqlite3.Cursor, damaged: AnyRow, copy: AnyRow) -> AnyRow:
    table = _table(damaged)
    sets = ", ".join(f"{name} = ?" for name in _OWN[table])
    values: list[object] = [getattr(copy, name) for name in _OWN[table]]
    cursor.execute(f"UPDATE {table} SET {sets} WHERE seq = ?", (*values, damaged.seq))  # noqa: S608 - fixed
    again = type(damaged)(*cursor.execute(_SELECT[table], (damaged.seq,)).fetchone())
    if not again.is_intact():
        raise _NotWhole
    return again


def _table(row: Row | EventRow) -> str:
    return "records" if isinstance(row, Row) else "events"
