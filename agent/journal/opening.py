"""Opens the journal's file whatever state it is in, or says why that cannot be done.

A damaged file is set aside and a new one begun with what could be taken over: the agent goes on. A file
that a later version made, a folder that cannot be written and a disk that fails are errors: a new file
would not help.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from agent.journal.database import Database, Tripwire
from agent.journal.errors import Fault, JournalCorrupt, JournalIoError
from agent.journal.files import SIDES, make_file, set_aside
from agent.journal.limits import JournalLimits
from agent.journal.migrations import Migration, migrate
from agent.journal.salvage import salvage


@dataclass(frozen=True, slots=True)
class Opened:
    """An open, sound and up-to-date file, and what there is to report."""

    database: Database
    faults: tuple[Fault, ...]


def open_file(
    path: Path, limits: JournalLimits, wall_ns: int, migrations: Sequence[Migration] | None = None
) -> Opened:
    """Raises JournalNewer, JournalReadOnly, JournalIoError, JournalFull or JournalBusy."""
    faults: list[Fault] = []
    if not path.exists() and any(Path(f"{path}{side}").exists() for side in SIDES):
        aside = set_aside(path, wall_ns)
        faults.append(
            Fault(
                "journal-replaced", f"the journal's file was gone, its log was left: kept as {aside.name}-wal"
            )
        )
    if not path.exists():
        make_file(path)
        return Opened(_checked(path, limits, migrations), tuple(faults))
    try:
        return Opened(_checked(path, limits, migrations), tuple(faults))
    except JournalCorrupt as fault:
        why = str(fault)
    except JournalIoError:
        # One failed read may pass; a second one means that this file will not be read again.
        try:
            return Opened(_checked(path, limits, migrations), tuple(faults))
        except (JournalIoError, JournalCorrupt) as fault:
            why = str(fault)
    return _begin_anew(path, limits, wall_ns, migrations, why)


def _checked(path: Path, limits: JournalLimits, migrations: Sequence[Migration] | None) -> Database:
    database = Database(path, limits, Tripwire())
    answer = database.one("PRAGMA quick_check(1)")
    if answer != "ok":
        database.close()
        raise JournalCorrupt(f"journal {path}: {answer}")
    try:
        migrate(database, migrations)
    except BaseException:
        database.close()
        raise
    return database


def _begin_anew(
    path: Path, limits: JournalLimits, wall_ns: int, migrations: Sequence[Migration] | None, why: str
) -> Opened:
    aside = set_aside(path, wall_ns)
    make_file(path)
    database = _checked(path, limits, migrations)
    saved = salvage(aside, database, limits)
    text = (
        f"the journal was damaged and a new one was begun; the old one is kept as {aside.name}. Taken over: "
        f"{saved.records} records, {saved.events} events, {saved.kept} kept states. ({why})"
    )
    return Opened(database, (Fault("journal-replaced", text),))
