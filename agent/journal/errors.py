"""What can go wrong with the journal.

    JournalError
    ├── JournalLocked       another agent works in this state folder
    ├── JournalBusy         another connection held the write lock for longer than `busy_s`
    ├── JournalFull         the disk or the journal's own quota is full; nothing was written, try again later
    ├── JournalReadOnly     the file system or the file does not allow writing
    ├── JournalIoError      the disk failed; the connection is closed, the agent must restart
    ├── JournalCorrupt      the file contradicts itself; the agent must restart, which sets the file aside
    ├── JournalNewer        a later version of Shotgram made this journal
    └── JournalClosed       used after it was closed

After JournalIoError and JournalCorrupt nobody can say whether the last commit is on the disk: a second try of
the same fsync may report success for data that is gone. So the connection is closed, every later call raises
the same error, and whoever restarts reads what the disk really holds.
"""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass


class JournalError(Exception):
    """Something is wrong with the journal; the message says what, where and what to do."""

    alarm: str = "journal-error"
    """The alarm that stands for it."""
    must_restart: bool = False
    """Whether the agent has to end, so that a fresh process reads what the disk really holds."""


class JournalLocked(JournalError):  # noqa: N818 - a state, as in FileExists or Timeout
    """Example: a second agent was started on the same `state_dir`."""

    alarm = "journal-locked"


class JournalBusy(JournalError):  # noqa: N818 - a state, as in FileExists or Timeout
    """Example: a backup by a foreign program holds the write lock."""

    alarm = "journal-busy"


class JournalFull(JournalError):  # noqa: N818 - a state, as in FileExists or Timeout
    """Example: logs filled the disk, or the quota is used up by records that no outlet has taken."""

    alarm = "disk-full"


class JournalReadOnly(JournalError):  # noqa: N818 - a state, as in FileExists or Timeout
    """Example: the kernel remounted a failing SD card read-only."""

    alarm = "journal-readonly"
    must_restart = True


class JournalIoError(JournalError):
    """Example: fdatasync returned EIO."""

    alarm = "journal-io-error"
    must_restart = True


class JournalCorrupt(JournalError):  # noqa: N818 - a state, as in FileExists or Timeout
    """Example: a page of the file was overwritten."""

    alarm = "journal-corrupt"
    must_restart = True


class JournalNewer(JournalError):  # noqa: N818 - a state, as in FileExists or Timeout
    """Example: the software was taken back to an older version after an upgrade."""

    alarm = "journal-newer"


class JournalClosed(JournalError):  # noqa: N818 - a state, as in FileExists or Timeout
    """Example: an outlet's thread still ran after the journal had been closed."""

    alarm = "journal-closed"


@dataclass(frozen=True, slots=True)
class JournalNotice:
    """Something to report: the alarm's name, and a sentence for people."""

    code: str
    text: str
    seq: int | None = None
    """The row it is about, where it is about one."""


_PRIMARY: dict[int, tuple[type[JournalError], str]] = {
    sqlite3.SQLITE_FULL: (JournalFull, "no room left; free space on the disk or raise the journal's quota"),
    sqlite3.SQLITE_READONLY: (JournalReadOnly, "cannot be written; check the mount, its owner and the disk"),
    sqlite3.SQLITE_IOERR: (JournalIoError, "the disk failed; the agent must restart, look at the disk"),
    sqlite3.SQLITE_CANTOPEN: (JournalIoError, "cannot be opened; check the folder, its owner and the disk"),
    sqlite3.SQLITE_CORRUPT: (
        JournalCorrupt,
        "the file contradicts itself; restart the agent, which sets it aside",
    ),
    sqlite3.SQLITE_NOTADB: (JournalCorrupt, "this is no SQLite file; restart the agent, which sets it aside"),
    sqlite3.SQLITE_BUSY: (JournalBusy, "another program holds the write lock"),
    sqlite3.SQLITE_LOCKED: (JournalBusy, "another connection holds the write lock"),
    sqlite3.SQLITE_PERM: (JournalReadOnly, "access was refused; check the folder's owner"),
    sqlite3.SQLITE_NOLFS: (JournalFull, "the file system allows no larger file"),
}


def translated(fault: sqlite3.Error, where: str) -> JournalError:
    """The journal's own error for one of SQLite's, with SQLite's words and its name kept in the message."""
    code = getattr(fault, "sqlite_errorcode", None) or 0
    name = getattr(fault, "sqlite_errorname", type(fault).__name__)
    kind, remedy = _PRIMARY.get(
        code & 0xFF, (JournalError, "SQLite refused a statement; this should not happen")
    )
    return kind(f"journal {where}: {remedy} ({name}: {fault})")


UNREADABLE = frozenset(
    {"SQLITE_IOERR_READ", "SQLITE_IOERR_SHORT_READ", "SQLITE_IOERR_CORRUPTFS", "SQLITE_IOERR_DATA"}
)
"""What SQLite says where the file's own content cannot be read; other I/O errors are no fault of the file."""


def is_unreadable(fault: JournalError) -> bool:
    """Whether the file's content could not be read."""
    return getattr(fault.__cause__, "sqlite_errorname", "") in UNREADABLE
