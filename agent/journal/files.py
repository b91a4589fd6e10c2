"""The journal's files: made private, set aside when they are damaged, restored from a backup."""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

from agent.journal.errors import JournalError, JournalReadOnly, translated

SIDES = ("-wal", "-shm")
SET_ASIDE_KEPT = 5


def make_folder(folder: Path) -> None:
    """The state folder, readable by its owner alone. Raises JournalReadOnly where it cannot be made."""
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    except OSError as fault:
        raise JournalReadOnly(
            f"state_dir {folder}: cannot be made ({fault}); make it, owned by the agent's user"
        ) from fault


def make_file(path: Path) -> None:
    """An empty file, readable by its owner alone; SQLite gives the files beside it the same rights."""
    try:
        os.close(os.open(path, os.O_WRONLY | os.O_CREAT, 0o600))
        sync_folder(path.parent)
    except OSError as fault:
        raise JournalReadOnly(
            f"journal {path}: cannot be made ({fault}); check the folder, its owner and the disk"
        ) from fault


def sync_folder(folder: Path) -> None:
    """Make names in a folder durable: a new file that only the cache knows is gone after a power cut."""
    sync_file(folder)


def sync_file(path: Path) -> None:
    """Make what a file holds durable."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def set_aside(path: Path, wall_ns: int) -> Path:
    """Rename a damaged journal together with its write-ahead log; returns the new name.

    The write-ahead log belongs to it: without it, rows that were committed are lost. The newest
    `SET_ASIDE_KEPT` are kept.
    """
    stamp = datetime.fromtimestamp(wall_ns / 1e9, tz=UTC).strftime("%Y%m%dT%H%M%S")
    target = path.with_name(f"{path.name}.damaged-{stamp}")
    number = 1
    while target.exists():
        target = path.with_name(f"{path.name}.damaged-{stamp}-{number}")
        number += 1
    try:
        for side in SIDES:
            _rename_if_there(Path(f"{path}{side}"), Path(f"{target}{side}"))
        _rename_if_there(path, target)
        sync_folder(path.parent)
        _forget_oldest(path)
    except OSError as fault:
        raise JournalReadOnly(f"journal {path}: damaged, and cannot be set aside ({fault})") from fault
    return target


def _rename_if_there(source: Path, target: Path) -> None:
    if source.exists() or source.is_symlink():
        source.rename(target)


def _forget_oldest(path: Path) -> None:
    aside = sorted(
        (found for found in path.parent.glob(f"{path.name}.damaged-*") if not found.name.endswith(SIDES)),
        key=lambda found: found.stat().st_mtime,
    )
    for old in aside[:-SET_ASIDE_KEPT]:
        for victim in (old, *(Path(f"{old}{side}") for side in SIDES)):
            if not victim.is_dir():
                victim.unlink(missing_ok=True)


def restore(backup: Path, state_dir: Path) -> Path:
    """Put a backup in place as a new machine's journal; returns its path.

    Refuses where a journal is there already: set that aside yourself first. The backup is checked before it
    is put in place. Raises JournalError.
    """
    path = state_dir / "journal.db"
    if path.exists():
        raise JournalError(
            f"restore: {path} is there already; move it away first, together with {path.name}-wal"
        )
    if not backup.is_file():
        raise JournalError(f"restore: there is no backup {backup}")
    make_folder(state_dir)
    partial = path.with_name("journal.db.restoring")
    partial.unlink(missing_ok=True)
    make_file(partial)
    try:
        with (
            closing(sqlite3.connect(f"{backup.absolute().as_uri()}?mode=ro", uri=True)) as source,
            closing(sqlite3.connect(partial)) as copy,
        ):
            answer = source.execute("PRAGMA integrity_check(1)").fetchone()[0]
            if answer != "ok":
                raise JournalError(f"restore: the backup {backup} is damaged ({answer}); use an older one")
            source.backup(copy)
    except sqlite3.Error as fault:
        partial.unlink(missing_ok=True)
        raise translated(fault, f"restore from {backup}") from fault
    sync_file(partial)
    partial.rename(path)
    sync_folder(state_dir)
    return path
