"""Opens the journal's file whatever state it is in, or says why that cannot be done.

A damaged file is set aside and a new one begun with what could be taken over: the agent goes on. A file
that a later version made, a folder that cannot be written and a disk that fails are errors: a new file
would not help.
"""

from __future__ import annotations

import errno
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from agent.journal.database import Database, Tripwire
from agent.journal.errors import JournalCorrupt, JournalIoError, JournalNotice, JournalReadOnly, is_unreadable
from agent.journal.files import SIDES, make_file, set_aside
from agent.journal.limits import JournalLimits
from agent.journal.migrations import Migration, migrate
from agent.journal.salvage import salvage

SMALLEST_BYTES = 512
"""SQLite takes a shorter file for an empty one, and would silently begin anew."""
CHAINS = frozenset({"records", "events", "evidence"})
TABLES = CHAINS | {
    "runs",
    "chains",
    "prunings",
    "outlets",
    "settled",
    "set_aside",
    "untrusted",
    "mended",
    "kept",
    "quarantine",
}


@dataclass(frozen=True, slots=True)
class Opened:
    """An open, sound and up-to-date file, and what there is to report."""

    database: Database
    faults: tuple[JournalNotice, ...]


def open_file(
    path: Path, limits: JournalLimits, wall_ns: int, migrations: Sequence[Migration] | None = None
) -> Opened:
    """Raises JournalNewer, JournalReadOnly, JournalIoError, JournalFull or JournalBusy."""
    faults = _leftovers(path, wall_ns)
    if not path.exists():
        make_file(path)
    why = _damage(path, limits)
    if why is None:
        try:
            return Opened(_ready(path, limits, migrations), tuple(faults))
        except JournalCorrupt as fault:
            why = str(fault)
    aside = set_aside(path, wall_ns)
    make_file(path)
    database = _ready(path, limits, migrations)
    saved = salvage(aside, database, limits)
    text = (
        f"the journal was damaged and a new one was begun; the old one is kept as {aside.name}. Taken over: "
        f"{saved.records} records, {saved.events} events, {saved.kept} kept states. ({why})"
    )
    return Opened(database, (*faults, JournalNotice("journal-replaced", text)))


def _leftovers(path: Path, wall_ns: int) -> list[JournalNotice]:
    """A write-ahead log without its file must not be applied to a new one."""
    if path.exists() and (path.is_dir() or path.stat().st_size > 0):
        return []
    if not path.exists() and not any(Path(f"{path}{side}").exists() for side in SIDES):
        return []
    if path.exists():
        return [
            JournalNotice("journal-replaced", "the journal's file was there and empty: what it held is gone")
        ]
    aside = set_aside(path, wall_ns)
    return [
        JournalNotice("journal-replaced", f"the journal's file was gone; its log is kept as {aside.name}-wal")
    ]


def _damage(path: Path, limits: JournalLimits) -> str | None:
    """Why the file cannot be used, or None. Other errors than those of its own content are raised."""
    try:
        with path.open("r+b") as file:
            size = len(file.read(SMALLEST_BYTES))
    except (PermissionError, IsADirectoryError) as fault:
        return f"it cannot be opened: {fault}"
    except OSError as fault:
        if fault.errno != errno.EIO:
            raise JournalReadOnly(
                f"journal {path}: {fault}; check the mount, its owner and the disk"
            ) from fault
        size = 0
    if 0 < size < SMALLEST_BYTES:
        return f"it is cut off after {size} bytes"
    for last_try in (False, True):
        try:
            database = Database(path, limits, Tripwire())
            try:
                answer = database.one("PRAGMA quick_check(1)")
            finally:
                database.close()
        except JournalCorrupt as fault:
            return str(fault)
        except JournalIoError as fault:
            # One failed read may pass; after a second one this file will not be read again.
            if not is_unreadable(fault):
                raise
            if last_try:
                return str(fault)
        else:
            return None if answer == "ok" else str(answer)
    return None


def _ready(path: Path, limits: JournalLimits, migrations: Sequence[Migration] | None) -> Database:
    database = Database(path, limits, Tripwire())
    try:
        migrate(database, migrations)
        _expect_tables(database)
    except BaseException:
        database.close()
        raise
    return database


def _expect_tables(database: Database) -> None:
    found = {name for (name,) in database.read("SELECT name FROM sqlite_master WHERE type = 'table'")}
    if found >= TABLES:
        found |= {name for (name,) in database.read("SELECT name FROM chains")}
    if not found >= TABLES | CHAINS:
        raise JournalCorrupt(f"journal {database.path}: tables are missing")
