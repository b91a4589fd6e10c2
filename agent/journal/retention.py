"""Lets the oldest rows go, so that the journal stays within its bounds.

A record that an active outlet has not settled goes only when the file has met its quota, and then it is
declared: as a `Loss`, and in the table `prunings`. The chain stays verifiable, because the hash of the last
row that went is kept as the new beginning.
"""

from __future__ import annotations

import json
import sqlite3
from dataclasses import dataclass

from agent.journal.database import PAGE_BYTES, Database
from agent.journal.errors import JournalNotice
from agent.journal.limits import JournalLimits
from agent.journal.outbox import gaps, joined, read_ranges, write_ranges

PORTION = 500
"""Rows that go in one transaction: short enough for outlets to get their turn at writing."""
PRUNINGS_KEPT = 1000
EVENTS_KEPT = 1000
"""The newest events stay however little room there is: by them a redelivery is known."""


@dataclass(frozen=True, slots=True)
class Loss:
    """Records that went before every outlet had them."""

    first_seq: int
    last_seq: int
    unsent: dict[str, int]
    """How many of them each outlet had not settled."""
    oldest_at: str
    newest_at: str

    def fault(self) -> JournalNotice:
        """The loss as something to report."""
        told = ", ".join(f"{count} not sent to {outlet}" for outlet, count in sorted(self.unsent.items()))
        return JournalNotice(
            "records-lost",
            f"the journal met its quota: records {self.first_seq} to {self.last_seq} ({self.oldest_at} to "
            f"{self.newest_at}) were let go, {told}",
            self.last_seq,
        )


@dataclass(frozen=True, slots=True)
class Pruned:
    """What a round of retention did."""

    records: int = 0
    events: int = 0
    losses: tuple[Loss, ...] = ()

    def __add__(self, other: Pruned) -> Pruned:
        return Pruned(self.records + other.records, self.events + other.events, (*self.losses, *other.losses))


def used_bytes(database: Database) -> int:
    """Bytes of the file that hold something."""
    pages = int(database.one("PRAGMA page_count")) - int(database.one("PRAGMA freelist_count"))
    return pages * PAGE_BYTES


def retain(database: Database, limits: JournalLimits, wall_ns: int) -> Pruned:
    """Let sent rows go, oldest first, until the journal is within `keep_rows` and `keep_bytes`."""
    done = Pruned()
    while True:
        records, events = _count(database, "records"), _count(database, "events")
        excess_bytes = used_bytes(database) > limits.keep_bytes
        rows = min(max(records - limits.keep_rows, PORTION if excess_bytes else 0), PORTION)
        old_events = min(max(events - limits.keep_rows, 0), PORTION)
        if rows <= 0 and old_events <= 0:
            return done
        step = prune(database, rows, old_events, wall_ns, with_events=excess_bytes)
        if step == Pruned():
            return done
        done += step


def retain_by_age(database: Database, limits: JournalLimits, wall_ns: int) -> Pruned:
    """Let sent rows go that are older than `keep_s`, and raw readings older than `keep_raw_s`.

    At most one portion at a time: a clock that is wrong and not noticed does little harm.
    """
    raw_from = int(database.one("SELECT pruned_seq FROM chains WHERE name = 'evidence'") or 0)
    raw = _oldest_before(database, raw_from, wall_ns - round(limits.keep_raw_s * 1e9))
    if raw > raw_from:
        with database.transaction() as cursor:
            cursor.execute("DELETE FROM evidence WHERE seq <= ?", (raw,))
            cursor.execute("UPDATE chains SET pruned_seq = ? WHERE name = 'evidence'", (raw,))
    old = _oldest_before(database, 0, wall_ns - round(limits.keep_s * 1e9))
    rows = old - int(database.one("SELECT pruned_seq FROM chains WHERE name = 'records'") or 0)
    return prune(database, rows, 0, wall_ns, with_events=True) if rows > 0 else Pruned()


def _oldest_before(database: Database, after_seq: int, wall_ns: int) -> int:
    """The last of the next portion of rows that was written before a time."""
    sql = (
        "SELECT max(seq) FROM (SELECT seq, wall_ns FROM records WHERE seq > ? ORDER BY seq LIMIT ?) "
        "WHERE wall_ns < ?"
    )
    return int(database.one(sql, (after_seq, PORTION, wall_ns)) or 0)


def prune(
    database: Database,
    rows: int,
    old_events: int,
    wall_ns: int,
    *,
    with_events: bool,
    unsent_too: bool = False,
) -> Pruned:
    """Let the oldest `rows` records and `old_events` events go in one transaction.

    `with_events` lets the events go that are older than the newest record that goes. Unsent records stay,
    unless `unsent_too`; what is lost then is in the result.
    """
    with database.transaction() as cursor:
        first = _pruned_seq(cursor, "records") + 1
        last = min(first + rows - 1, _last_seq(cursor, "records"))
        if not unsent_too:
            last = min(last, _sent_through(cursor))
        losses: tuple[Loss, ...] = ()
        gone = max(last - first + 1, 0)
        cut_ns = None
        if gone:
            losses = _losses(cursor, first, last)
            cut_ns = _value(cursor, "SELECT wall_ns FROM records WHERE seq = ?", last)
            _drop_records(cursor, first, last, wall_ns, losses)
        events = _drop_events(
            cursor, old_events, cut_ns if with_events else None, alone=with_events and not gone
        )
    return Pruned(gone, events, losses)


def _losses(cursor: sqlite3.Cursor, first: int, last: int) -> tuple[Loss, ...]:
    unsent: dict[str, int] = {}
    for (outlet,) in cursor.execute("SELECT outlet FROM outlets WHERE active").fetchall():
        missing = gaps(read_ranges(cursor, outlet), last)
        count = sum(end - max(begin, first) + 1 for begin, end in missing if end >= first)
        if count > 0:
            unsent[outlet] = count
    if not unsent:
        return ()
    oldest, newest = cursor.execute(
        "SELECT min(at), max(at) FROM records WHERE seq BETWEEN ? AND ?", (first, last)
    ).fetchone()
    return (Loss(first, last, unsent, str(oldest), str(newest)),)


def _drop_records(
    cursor: sqlite3.Cursor, first: int, last: int, wall_ns: int, losses: tuple[Loss, ...]
) -> None:
    beginning = _value(cursor, "SELECT hash FROM records WHERE seq = ?", last)
    for table in ("evidence", "untrusted", "mended", "set_aside", "records"):
        cursor.execute(f"DELETE FROM {table} WHERE seq <= ?", (last,))  # noqa: S608 - fixed names
    cursor.execute(
        "UPDATE chains SET pruned_seq = ?, pruned_hash = ? WHERE name = 'records'",
        (last, beginning or bytes(32)),
    )
    for (outlet,) in cursor.execute("SELECT outlet FROM outlets").fetchall():
        write_ranges(cursor, outlet, joined([*read_ranges(cursor, outlet), (0, last)]))
    unsent = json.dumps([loss.unsent for loss in losses])
    cursor.execute(
        "INSERT INTO prunings (wall_ns, first_seq, last_seq, unsent) VALUES (?, ?, ?, ?)",
        (wall_ns, first, last, unsent),
    )
    cursor.execute(
        "DELETE FROM prunings WHERE number <= (SELECT max(number) FROM prunings) - ?", (PRUNINGS_KEPT,)
    )


def _drop_events(cursor: sqlite3.Cursor, old_events: int, cut_ns: int | None, *, alone: bool) -> int:
    first = _pruned_seq(cursor, "events") + 1
    end = _last_seq(cursor, "events")
    last = first + old_events - 1
    spare = min(end - EVENTS_KEPT, first + PORTION - 1)
    if cut_ns is not None:
        # In the order of their places: a clock that once ran ahead must not make a hole in the chain.
        newer = _value(cursor, "SELECT min(seq) FROM events WHERE wall_ns > ?", cut_ns)
        last = max(last, min((newer - 1) if newer is not None else end, spare))
    elif alone:
        last = max(last, spare)
    last = min(last, end)
    if last < first:
        return 0
    beginning = _value(cursor, "SELECT hash FROM events WHERE seq = ?", last)
    cursor.execute("DELETE FROM events WHERE seq <= ?", (last,))
    cursor.execute(
        "UPDATE chains SET pruned_seq = ?, pruned_hash = ? WHERE name = 'events'",
        (last, beginning or bytes(32)),
    )
    return last - first + 1


def _sent_through(cursor: sqlite3.Cursor) -> int:
    """The last row before which every active outlet has settled all."""
    last = _last_seq(cursor, "records")
    for (outlet,) in cursor.execute("SELECT outlet FROM outlets WHERE active").fetchall():
        missing = gaps(read_ranges(cursor, outlet), last)
        if missing:
            last = min(last, missing[0][0] - 1)
    return last


def _count(database: Database, chain: str) -> int:
    return int(database.one("SELECT last_seq - pruned_seq FROM chains WHERE name = ?", (chain,)) or 0)


def _pruned_seq(cursor: sqlite3.Cursor, chain: str) -> int:
    return int(_value(cursor, "SELECT pruned_seq FROM chains WHERE name = ?", chain) or 0)


def _last_seq(cursor: sqlite3.Cursor, chain: str) -> int:
    return int(_value(cursor, "SELECT last_seq FROM chains WHERE name = ?", chain) or 0)


def _value(cursor: sqlite3.Cursor, sql: str, *values: object) -> int | None:
    row = cursor.execute(sql, values).fetchone()
    return row[0] if row else None
