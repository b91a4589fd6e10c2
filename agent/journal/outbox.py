"""The journal as an outbox: which records an outlet has still to forward, in order, each checked.

An outlet that only moves forward has one settled range, from the beginning to its cursor. After a long
outage it may forward new records while it still drains the old ones: then there is a second range, and the
gap between the two is the backlog. Gaps close as they are drained.
"""

from __future__ import annotations

import time
from collections.abc import Iterable, Sequence
from typing import Any

from agent.journal.database import Database
from agent.journal.reading import JournalReader
from agent.journal.rows import RECORD_COLUMNS, RECORDS_FROM, Row

Ranges = list[tuple[int, int]]


def joined(ranges: Iterable[tuple[int, int]]) -> Ranges:
    """The same whole numbers in as few (first, last) ranges as possible, in rising order."""
    result: Ranges = []
    for first, last in sorted(ranges):
        if result and first <= result[-1][1] + 1:
            result[-1] = (result[-1][0], max(result[-1][1], last))
        else:
            result.append((first, last))
    return result


def gaps(settled: Ranges, last: int) -> Ranges:
    """What of 1..last is in none of the ranges."""
    missing: Ranges = []
    at = 1
    for begin, end in settled:
        if begin > at:
            missing.append((at, min(begin - 1, last)))
        at = max(at, end + 1)
    if at <= last:
        missing.append((at, last))
    return [gap for gap in missing if gap[0] <= gap[1]]


class OutletView(JournalReader):
    """One outlet's own view of the journal, on a connection of its own: use it in one thread.

    With `hold_untrusted`, records written while the clock could not be trusted are kept back until their time
    was mended (`Journal.mend_times`): a point that was sent with a wrong time cannot be taken back.
    """

    def __init__(self, database: Database, outlet: str, *, hold_untrusted: bool = False):
        super().__init__(database)
        self.outlet = outlet
        self.hold_untrusted = hold_untrusted

    def pending(self, limit: int, *, after_seq: int = 0, through_seq: int | None = None) -> list[Row]:
        """The oldest records this outlet has not settled, at most `limit`, in order.

        A row whose checksum does not fit is told in `take_faults`; it is put back from the backup or set
        aside, and never forwarded as it is.
        """
        last = self.last_seq() if through_seq is None else through_seq
        rows: list[Row] = []
        for first, end in gaps(self._settled(), last):
            at = max(first, after_seq + 1)
            while at <= end and len(rows) < limit:
                found = self._between(at, end, limit - len(rows))
                rows += [whole for row in found if (whole := self._forwardable(row)) is not None]
                at = found[-1].seq + 1 if found else end + 1
        return rows

    def settled(self, seq: int) -> bool:
        """Whether this row is done with."""
        return any(first <= seq <= last for first, last in self._settled())

    def backlog(self) -> int:
        """How many records this outlet has not settled."""
        return sum(last - first + 1 for first, last in gaps(self._settled(), self.last_seq()))

    def oldest_pending(self) -> Row | None:
        """The oldest record not settled, or None."""
        rows = self.pending(1)
        return rows[0] if rows else None

    def settle(self, through_seq: int) -> None:
        """Everything up to this row is done with."""
        self._add([(0, through_seq)])

    def settle_rows(self, rows: Sequence[Row]) -> None:
        """These rows, and no others, are done with."""
        if rows:
            self._add([(row.seq, row.seq) for row in rows])

    def set_aside(self, row: Row, why: str) -> None:
        """This row cannot be forwarded and must not hold up the others; it stays in the journal."""
        with self.database.transaction() as cursor:
            cursor.execute(
                "INSERT OR REPLACE INTO set_aside VALUES (?, ?, ?, ?)",
                (self.outlet, row.seq, why[:1000], time.time_ns()),
            )
            write_ranges(cursor, self.outlet, joined([*read_ranges(cursor, self.outlet), (row.seq, row.seq)]))

    def aside(self) -> list[tuple[int, str]]:
        """The rows set aside: (row, why), oldest first."""
        rows = self.database.read(
            "SELECT seq, why FROM set_aside WHERE outlet = ? ORDER BY seq LIMIT 10000", (self.outlet,)
        )
        return [(int(seq), str(why)) for seq, why in rows]

    def try_again(self) -> int:
        """Forward what was set aside once more, for when its cause is mended. Returns how many rows."""
        with self.database.transaction() as cursor:
            seqs = {
                seq for (seq,) in cursor.execute("SELECT seq FROM set_aside WHERE outlet = ?", (self.outlet,))
            }
            settled = read_ranges(cursor, self.outlet)
            for seq in seqs:
                settled = _without(settled, seq)
            write_ranges(cursor, self.outlet, joined(settled))
            cursor.execute("DELETE FROM set_aside WHERE outlet = ?", (self.outlet,))
        return len(seqs)

    def _between(self, first: int, last: int, limit: int) -> list[Row]:
        rows = self.database.read(
            f"SELECT {RECORD_COLUMNS} FROM {RECORDS_FROM} "  # noqa: S608 - fixed names
            "WHERE r.seq BETWEEN ? AND ? ORDER BY r.seq LIMIT ?",
            (first, last, limit),
        )
        return [Row(*values) for values in rows]

    def _forwardable(self, row: Row) -> Row | None:
        whole = self._whole(row)
        if whole is None:
            self.set_aside(row, "damaged: the checksum does not fit")
        elif self.hold_untrusted and whole.held:
            return None
        return whole

    def _settled(self) -> Ranges:
        return read_ranges(self.database, self.outlet)

    def _add(self, ranges: Ranges) -> None:
        with self.database.transaction() as cursor:
            before = read_ranges(cursor, self.outlet)
            after = joined([*before, *ranges])
            if after != before:
                write_ranges(cursor, self.outlet, after)


def read_ranges(where: Any, outlet: str) -> Ranges:
    """What an outlet has settled; `where` is a Database, or a cursor within a transaction."""
    sql = "SELECT first_seq, last_seq FROM settled WHERE outlet = ? ORDER BY first_seq"
    rows = (
        where.read(sql, (outlet,))
        if isinstance(where, Database)
        else where.execute(sql, (outlet,)).fetchall()
    )
    return [(int(first), int(last)) for first, last in rows]


def write_ranges(cursor: Any, outlet: str, ranges: Ranges) -> None:
    """Set what an outlet has settled."""
    cursor.execute("DELETE FROM settled WHERE outlet = ?", (outlet,))
    cursor.executemany("INSERT INTO settled VALUES (?, ?, ?)", [(outlet, *pair) for pair in ranges])


def _without(ranges: Ranges, seq: int) -> Ranges:
    result: Ranges = []
    for first, last in ranges:
        if first <= seq <= last:
            result += [(first, seq - 1), (seq + 1, last)]
        else:
            result.append((first, last))
    return [(first, last) for first, last in result if first <= last]
