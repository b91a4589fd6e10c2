"""Gives records that were written while the clock was wrong their time in the database, once and durably.

What the record says stays as it was said, under its checksum; only the point's time is mended, beside it.
"""

from __future__ import annotations

from agent.journal.database import Database
from agent.journal.outbox import joined, read_ranges, write_ranges
from agent.journal.stamp import Stamp


def mend(database: Database, boot_id: str, offset_ns: int) -> int:
    """Mend the held records of one boot by `offset_ns` (true time less shown time). Returns how many.

    A record whose time stands on another clock (a scale's, a controller's) is let go with the time it has: it
    agrees better with the true time of its commit than with the time that our clock showed.
    """
    with database.transaction() as cursor:
        held = cursor.execute(
            "SELECT r.seq, r.point_ns, r.wall_ns FROM untrusted AS t JOIN records AS r ON r.seq = t.seq "
            "JOIN runs AS u ON u.run = r.run WHERE u.boot_id = ? ORDER BY r.seq",
            (boot_id,),
        ).fetchall()
        for seq, point_ns, wall_ns in held:
            if abs(point_ns - wall_ns) <= abs(point_ns - (wall_ns + offset_ns)):
                mended_ns = point_ns + offset_ns
                while cursor.execute(
                    "SELECT 1 FROM records WHERE point_ns = ? "
                    "UNION ALL SELECT 1 FROM mended WHERE point_ns = ?",
                    (mended_ns, mended_ns),
                ).fetchone():
                    mended_ns += 1
                cursor.execute("INSERT INTO mended VALUES (?, ?)", (seq, mended_ns))
            cursor.execute("DELETE FROM untrusted WHERE seq = ?", (seq,))
    return len(held)


def mend_earlier(database: Database, now: Stamp, outlet: str) -> int:
    """Mend what earlier runs left held, now that `now` can be trusted; how many records can never be dated.

    Within one boot the monotonic clock runs on from run to run, so the difference is known. Of an earlier
    boot nothing is known: its records are set aside for `outlet`, which holds them back.
    """
    rows = database.read(
        "SELECT r.seq, r.wall_ns, r.monotonic_ns, u.boot_id FROM untrusted AS t "
        "JOIN records AS r ON r.seq = t.seq JOIN runs AS u ON u.run = r.run ORDER BY r.seq"
    )
    ours = [row for row in rows if row[3] == now.boot_id]
    if ours:
        _, wall_ns, monotonic_ns, _ = ours[-1]
        mend(database, now.boot_id, (now.wall_ns - now.monotonic_ns) - (wall_ns - monotonic_ns))
    settled = read_ranges(database, outlet)
    others = [
        seq
        for seq, _, _, boot in rows
        if boot != now.boot_id and not any(first <= seq <= last for first, last in settled)
    ]
    if others:
        with database.transaction() as cursor:
            why = "written while the clock was not set, in an earlier boot: its time is not known"
            cursor.executemany(
                "INSERT OR REPLACE INTO set_aside VALUES (?, ?, ?, ?)",
                [(outlet, seq, why, now.wall_ns) for seq in others],
            )
            ranges = [*read_ranges(cursor, outlet), *((seq, seq) for seq in others)]
            write_ranges(cursor, outlet, joined(ranges))
    return len(others)
