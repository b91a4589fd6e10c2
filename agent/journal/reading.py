"""What may be asked of the journal: records, events, evidence, kept state; each is checked as it is read."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Mapping
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from agent.contract.evidence import Evidence
from agent.journal.chain import checksum
from agent.journal.database import Database, Tripwire
from agent.journal.errors import JournalIoError, JournalNotice
from agent.journal.limits import JournalLimits
from agent.journal.packing import unpacked
from agent.journal.putting_back import AnyRow, put_back
from agent.journal.rows import EVENT_COLUMNS, EVENTS_FROM, RECORD_COLUMNS, RECORDS_FROM, EventRow, Row

FILE_NAME = "journal.db"
FREQUENT = ("gun_opened", "gun_closed")
"""Kinds of event that come with every shot. The index of the rare ones leaves them out (schema_v1.sql)."""


class JournalReader:
    """Reads a journal, also while the agent writes it.

    Rows whose checksum does not fit are told in `take_faults`, and never returned as they are: the writer
    puts them back from the daily backup where it can, and leaves them out where it cannot.
    """

    def __init__(self, database: Database):
        self.database = database
        self._faults: deque[JournalNotice] = deque(maxlen=100)

    @classmethod
    def of_folder(cls, state_dir: Path) -> Self:
        """A reader of the journal in a state folder; nothing is changed.

        Raises JournalIoError where there is none.
        """
        path = state_dir / FILE_NAME
        if not path.exists():
            raise JournalIoError(
                f"no journal in {state_dir}: the agent has not run with this state_dir yet, or it is "
                "another one"
            )
        return cls(Database(path, JournalLimits(), Tripwire(), read_only=True))

    def close(self) -> None:
        """Close the connection."""
        self.database.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def take_faults(self) -> list[JournalNotice]:
        """What was found wrong since the last call, oldest first (at most 100)."""
        taken = list(self._faults)
        self._faults.clear()
        return taken

    def records(
        self,
        kind: str | None = None,
        cell: str | None = None,
        gun: str | None = None,
        since: float | None = None,
        limit: int | None = None,
        *,
        newest_first: bool = False,
        after_seq: int = 0,
        by_time: bool = False,
    ) -> list[Row]:
        """Records in the order in which they were written, or by their own time where `by_time`.

        What was imported from paper is older than it was written. `since` is epoch seconds of the record's
        own time.
        """
        asked = {"r.kind =": kind, "r.cell =": cell, "r.gun =": gun, "r.point_ns >=": _whole_ms_ns(since)}
        wheres, values = _conditions(asked, after_seq)
        order = "DESC" if newest_first else "ASC"
        key = "r.point_ns" if by_time else "r.seq"
        sql = (
            f"SELECT {RECORD_COLUMNS} FROM {RECORDS_FROM} "  # noqa: S608 - fixed column names
            f"WHERE {' AND '.join(wheres)} ORDER BY {key} {order} LIMIT ?"
        )
        rows = self.database.read(sql, [*values, -1 if limit is None else limit])
        return [whole for row in map(_row, rows) if (whole := self._whole(row)) is not None]

    def how_many(self, kind: str, cell: str | None = None, gun: str | None = None) -> int:
        """How many records of a kind there are: of a cell, of a gun, or of all."""
        wheres, values = _conditions({"r.kind =": kind, "r.cell =": cell, "r.gun =": gun}, 0)
        sql = f"SELECT count(*) FROM records AS r WHERE {' AND '.join(wheres)}"  # noqa: S608 - fixed column names
        return int(self.database.read(sql, values)[0][0])

    def record(self, record_id: str) -> Row | None:
        """The record of that id, or None."""
        rows = self.database.read(f"SELECT {RECORD_COLUMNS} FROM {RECORDS_FROM} WHERE r.id = ?", (record_id,))  # noqa: S608 - as above
        return self._whole(_row(rows[0])) if rows else None

    def latest(self, kind: str, cell: str, gun: str | None = None) -> Row | None:
        """The newest record of a kind for a cell, and for a gun where one is named."""
        found = self.records(kind, cell, gun, limit=1, newest_first=True)
        return found[0] if found else None

    def evidence(self, record_id: str) -> Evidence | None:
        """What a dispense was computed from; None where there is none, it was let go, or it is damaged."""
        rows = self.database.read(
            "SELECT r.seq, e.data FROM records AS r JOIN evidence AS e ON e.seq = r.seq WHERE r.id = ?",
            (record_id,),
        )
        if not rows:
            return None
        try:
            return unpacked(rows[0][1])
        except ValueError as fault:
            self._report("journal-corrupt-row", f"{record_id}: {fault}", rows[0][0])
            return None

    def with_evidence(self, since: float | None = None) -> Iterator[tuple[Row, Evidence]]:
        """Every stored dispense with what it was computed from, oldest first, read in small portions."""
        after = 0
        while True:
            rows = self.records("dispense", since=since, limit=50, after_seq=after)
            if not rows:
                return
            after = rows[-1].seq
            for row in rows:
                if row.evidence_sha is not None and (evidence := self.evidence(row.id)) is not None:
                    yield row, evidence

    def events(
        self,
        cell: str | None = None,
        kind: str | None = None,
        since: float | None = None,
        limit: int | None = None,
        *,
        after_seq: int = 0,
        newest_first: bool = False,
    ) -> list[EventRow]:
        """Events in the order in which they came; `since` is epoch seconds of the event's own time."""
        asked = {"r.cell =": cell, "r.kind =": kind, "r.t_ns >=": _whole_ms_ns(since)}
        wheres, values = _conditions(asked, after_seq)
        if kind is not None and kind not in FREQUENT:
            wheres.append(f"r.kind NOT IN {FREQUENT!r}")  # lets SQLite use the index of the rare ones
        order = "DESC" if newest_first else "ASC"
        sql = (
            f"SELECT {EVENT_COLUMNS} FROM {EVENTS_FROM} "  # noqa: S608 - fixed column names
            f"WHERE {' AND '.join(wheres)} ORDER BY r.seq {order} LIMIT ?"
        )
        rows = self.database.read(sql, [*values, -1 if limit is None else limit])
        return [whole for row in map(_event_row, rows) if (whole := self._whole(row)) is not None]

    def kept_state(self, name: str) -> bytes | None:
        """A small named value, or None where it was never kept or is damaged."""
        rows = self.database.read("SELECT value, crc FROM kept WHERE name = ?", (name,))
        if not rows:
            return None
        value, crc = rows[0]
        if not isinstance(value, bytes) or checksum(value) != crc:
            self._report("journal-corrupt-row", f"the kept state {name!r} is damaged and is not used")
            return None
        return value

    def quarantined(self, limit: int = 100) -> list[tuple[str, bytes, str, str]]:
        """Messages that could not be read, newest first: (topic, payload, code, fault)."""
        rows = self.database.read(
            "SELECT topic, payload, code, fault FROM quarantine ORDER BY number DESC LIMIT ?", (limit,)
        )
        return [(str(topic), bytes(payload), str(code), str(fault)) for topic, payload, code, fault in rows]

    def head(self) -> tuple[int, str]:
        """The place and the hash (hexadecimal) of the newest record.

        Keep them elsewhere, and `verify` against them.
        """
        seq, last = self.database.read("SELECT last_seq, last_hash FROM chains WHERE name = 'records'")[0]
        return int(seq), bytes(last).hex()

    def last_seq(self) -> int:
        """Place of the newest record, 0 in an empty journal."""
        return int(self.database.one("SELECT last_seq FROM chains WHERE name = 'records'") or 0)

    def _whole(self, row: AnyRow) -> AnyRow | None:
        """The row as it was written, put back where it was damaged; None where that cannot be."""
        if row.is_intact():
            return row
        whole = put_back(self.database, row)
        what = "record" if isinstance(row, Row) else "event"
        done = "is not used" if whole is None else "was put back from the backup"
        self._report(
            "journal-corrupt-row", f"{what} {row.id!r} (row {row.seq}) is damaged and {done}", row.seq
        )
        return whole

    def _report(self, code: str, text: str, seq: int | None = None) -> None:
        fault = JournalNotice(code, text, seq)
        if fault not in self._faults:
            self._faults.append(fault)


def _conditions(asked: Mapping[str, object], after_seq: int) -> tuple[list[str], list[Any]]:
    """The conditions of a query with their values; what is asked for as None is left out."""
    given = {"r.seq >": after_seq, **{what: value for what, value in asked.items() if value is not None}}
    return [f"{what} ?" for what in given], list(given.values())


def _whole_ms_ns(epoch_s: float | None) -> int | None:
    """Epoch nanoseconds of a time, whole milliseconds: rows keep no more."""
    return None if epoch_s is None else round(epoch_s * 1000) * 1_000_000


def _row(values: tuple[Any, ...]) -> Row:
    return Row(*values)


def _event_row(values: tuple[Any, ...]) -> EventRow:
    return EventRow(*values)
