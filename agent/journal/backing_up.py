"""The daily copy of the journal: made while the agent writes, checked row by row, and kept only where sound.

SQLite copies a page whatever its rows say, so that a flipped bit that nobody has read yet would take the
place of the last copy that still holds the row as it was written. A copy that is not sound takes a name of
its own beside the last sound one: it alone holds the newest rows.
"""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Sequence
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

from agent.journal.database import Database, Tripwire
from agent.journal.errors import JournalError, JournalFull, JournalNotice, translated
from agent.journal.files import make_file, sync_file, sync_folder
from agent.journal.limits import JournalLimits
from agent.journal.putting_back import damaged_copy_of
from agent.journal.reading import JournalReader
from agent.journal.space import Space
from agent.journal.verify import verify

FAILED = "backup-failed"
NAMED = 3
"""So many faults of a copy are named; of the others, how many they are."""


def back_up(path: Path, limits: JournalLimits, target: Path) -> list[JournalNotice]:
    """Copy the journal at `path` to `target`; what went wrong or was found damaged, empty where all is sound.

    Damaged rows that the last copies still hold are put back in the journal first. Where the new copy is not
    sound, `target` stays as it is, the copy lies beside it, and a fault says so. Connections are its own: it
    may run beside the writer, in any thread, and takes a while for a large journal.
    """
    partial = target.with_name(f"{target.name}.partial")
    told: list[JournalNotice] = []
    try:
        target.parent.mkdir(mode=0o700, exist_ok=True)
        _copy(path, limits, partial)
        damage = _damage(partial, limits)
        if damage:
            told += _put_back(path, limits, damage)
        if told:
            _copy(path, limits, partial)
            damage = _damage(partial, limits)
        if damage:
            partial.replace(damaged_copy_of(target))
            told.append(JournalNotice(FAILED, _words(damage, target)))
        else:
            partial.replace(target)
            damaged_copy_of(target).unlink(missing_ok=True)
        sync_folder(target.parent)
    except (OSError, JournalError) as fault:
        told.append(JournalNotice(FAILED, f"the backup {target} could not be made: {fault}"))
        with contextlib.suppress(OSError):
            partial.unlink(missing_ok=True)
    return told


def _copy(path: Path, limits: JournalLimits, partial: Path) -> None:
    """A consistent copy by SQLite's own backup. Copying the file by other means loses what still stands in
    the write-ahead log.
    """
    partial.unlink(missing_ok=True)
    needed = sum(part.stat().st_size for part in (path, Path(f"{path}-wal")) if part.exists())
    free = Space.of(partial.parent).free_bytes
    if free < needed + limits.ballast_bytes:
        # A copy that fills the disk would stop the journal itself.
        raise JournalFull(
            f"{needed / 1e6:.1f} MB are needed in {partial.parent}, {free / 1e6:.1f} MB are free"
        )
    make_file(partial)
    source = Database(path, limits, Tripwire(), read_only=True)
    try:
        # All pages at one go: in steps it would begin anew with each commit of the writer in between.
        with closing(sqlite3.connect(partial)) as copy:
            source.connection.backup(copy)
            copy.execute("PRAGMA journal_mode = DELETE")
    except sqlite3.Error as fault:
        raise translated(fault, f"backup {partial}") from fault
    finally:
        source.close()
    sync_file(partial)


def _damage(copy: Path, limits: JournalLimits) -> list[JournalNotice]:
    """What of a copy is not as it was written."""
    try:
        database = Database(copy, limits, Tripwire(), read_only=True)
        try:
            return verify(database)
        finally:
            database.close()
    except JournalError as fault:
        return [JournalNotice(fault.alarm, str(fault))]


def _put_back(path: Path, limits: JournalLimits, damage: Sequence[JournalNotice]) -> list[JournalNotice]:
    """Have the journal's damaged rows written anew from the last copies; what became of them."""
    with JournalReader(Database(path, limits, Tripwire())) as journal:
        # To read a row is to put it back where that can be.
        for seq in sorted({fault.seq for fault in damage if fault.seq is not None}):
            journal.records(after_seq=seq - 1, limit=1)
            journal.events(after_seq=seq - 1, limit=1)
        return journal.take_faults()


def _words(damage: Sequence[JournalNotice], target: Path) -> str:
    named = "; ".join(fault.text for fault in damage[:NAMED])
    more = f" and {len(damage) - NAMED} more" if len(damage) > NAMED else ""
    kept = "there is no sound one"
    if target.exists():
        made = datetime.fromtimestamp(target.stat().st_mtime, tz=UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
        kept = f"the last sound one, of {made}, is kept as {target.name}"
    return (
        f"the new backup is not sound ({named}{more}); it lies as {damaged_copy_of(target).name} in "
        f"{target.parent}, and {kept}"
    )
