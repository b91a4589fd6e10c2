"""Gives records that were written while the clock was wrong their time in the database, once and durably.

What the record says stays as it was said, under its checksum; only the point's time is mended, beside it.
"""

from __future__ import annotations

from agent.journal.database import Database


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
