"""One connection to the journal's file: opened with asserted settings, foreign errors translated.

Each thread has a connection of its own. WAL lets readers read while one writes; synchronous=FULL makes a
commit durable, and since both are settings of a connection and not of the file, they are asserted at every
opening.
"""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

from agent.journal.errors import JournalClosed, JournalError, JournalIoError, translated
from agent.journal.limits import JournalLimits

PAGE_BYTES = 4096
SYNCHRONOUS_FULL = 2


class Tripwire:
    """Shared by all connections of one journal: what one of them met on a failing disk stops the others."""

    def __init__(self) -> None:
        self.fault: JournalError | None = None


class Database:
    """A connection that is safe to share between threads, one call at a time."""

    def __init__(self, path: Path, limits: JournalLimits, tripwire: Tripwire, *, read_only: bool = False):
        self.path = path
        self.limits = limits
        self.tripwire = tripwire
        self.read_only = read_only
        self._lock = threading.RLock()
        self._connection: sqlite3.Connection | None = None
        with self._guarded():
            self._connection = self._opened()
            self._settle_in(self._connection)

    def _opened(self) -> sqlite3.Connection:
        mode = "ro" if self.read_only else "rw"
        return sqlite3.connect(
            f"{self.path.absolute().as_uri()}?mode={mode}",
            uri=True,
            timeout=self.limits.busy_s,
            isolation_level=None,
            check_same_thread=False,
        )

    def _settle_in(self, connection: sqlite3.Connection) -> None:
        # A flipped bit may leave text that is not UTF-8: the checksum finds the row, the others stay
        # readable.
        connection.text_factory = lambda raw: raw.decode("utf-8", "surrogateescape")

        def pragma(text: str) -> Any:
            row = connection.execute(f"PRAGMA {text}").fetchone()
            return row[0] if row else None

        pragma("trusted_schema = OFF")
        pragma("cell_size_check = ON")
        if not self.read_only:
            _expect("journal_mode", pragma("journal_mode = WAL"), "wal")
            pragma("synchronous = FULL")
            _expect("synchronous", pragma("synchronous"), SYNCHRONOUS_FULL)
            pragma(f"wal_autocheckpoint = {self.limits.wal_pages}")
            pragma(f"journal_size_limit = {2 * self.limits.wal_pages * PAGE_BYTES}")
            pragma(f"max_page_count = {max(self.limits.quota_bytes // PAGE_BYTES, 1)}")
        else:
            pragma("query_only = ON")

    @contextmanager
    def _guarded(self) -> Iterator[None]:
        """Translate SQLite's errors; after one that leaves the disk in doubt, close for good."""
        if self.tripwire.fault is not None:
            raise self.tripwire.fault
        try:
            yield
        except sqlite3.ProgrammingError as fault:
            if self._connection is None:
                raise JournalClosed(f"journal {self.path}: it was closed") from fault
            raise
        except sqlite3.Error as fault:
            error = translated(fault, str(self.path))
            if error.must_restart:
                self.tripwire.fault = error
                self.close()
            raise error from fault

    @property
    def connection(self) -> sqlite3.Connection:
        """The open connection. Raises JournalClosed where it was closed."""
        if self._connection is None:
            raise JournalClosed(f"journal {self.path}: it was closed")
        return self._connection

    @property
    def is_open(self) -> bool:
        """Whether it can still be used."""
        return self._connection is not None and self.tripwire.fault is None

    def read(self, sql: str, values: Sequence[Any] = ()) -> list[tuple[Any, ...]]:
        """All rows of a query. Short by intention: a long read keeps the write-ahead log from shrinking."""
        with self._lock, self._guarded():
            return self.connection.execute(sql, values).fetchall()

    def one(self, sql: str, values: Sequence[Any] = ()) -> Any:
        """The first column of the first row, or None."""
        rows = self.read(sql, values)
        return rows[0][0] if rows else None

    @contextmanager
    def transaction(self) -> Iterator[sqlite3.Cursor]:
        """All or nothing, and durable at the end: BEGIN IMMEDIATE to COMMIT, or ROLLBACK on any exception."""
        with self._lock, self._guarded(), closing(self.connection.cursor()) as cursor:
            cursor.execute("BEGIN IMMEDIATE")
            try:
                yield cursor
                cursor.execute("COMMIT")
            except BaseException:
                # SQLite has rolled back by itself after a full disk or an I/O error.
                if self._connection is not None and self._connection.in_transaction:
                    self._connection.execute("ROLLBACK")
                raise

    @contextmanager
    def snapshot(self) -> Iterator[None]:
        """Everything read inside is of one moment, whatever is written meanwhile."""
        with self._lock, self._guarded():
            self.connection.execute("BEGIN")
            try:
                yield
            finally:
                if self._connection is not None and self._connection.in_transaction:
                    self._connection.execute("ROLLBACK")

    def checkpoint(self) -> None:
        """Copy the write-ahead log into the file and empty it, as far as no reader is in the way."""
        self.read("PRAGMA wal_checkpoint(TRUNCATE)")

    def close(self) -> None:
        """Close the connection; harmless when it is closed already."""
        with self._lock:
            connection, self._connection = self._connection, None
            if connection is not None:
                try:
                    connection.close()
                except sqlite3.Error as fault:
                    if self.tripwire.fault is None:
                        raise translated(fault, str(self.path)) from fault


def _expect(name: str, found: object, wanted: object) -> None:
    if found != wanted:
        raise JournalIoError(
            f"journal: SQLite would not set {name} to {wanted!r} (it stays {found!r}); is the state "
            "folder on a local file system?"
        )
