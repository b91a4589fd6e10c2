"""Tampering is found, row by row: changed, removed, moved, added, or rewritten as a whole."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from agent.contract.evidence import Evidence
from agent.journal.chain import checksum, content, link
from agent.journal.journal import Journal
from agent.journal.rows import RECORD_COLUMNS, RECORDS_FROM, Row

Tamper = Callable[..., None]


@pytest.fixture
def filled(journal: Journal, dispense: Any, event: Any) -> Journal:
    t_s = np.arange(50, dtype=np.float64) * 0.1
    raw = Evidence(t_s=t_s, mass_g=t_s * 1.6, stable=None, context={})
    for n in range(6):
        journal.append([dispense(n)], [event(n)], evidence={dispense(n).id: raw})
    assert journal.verify() == []
    return journal


@pytest.fixture
def tamper(tmp_path: Path) -> Tamper:
    def execute(*statements: str) -> None:
        with closing(sqlite3.connect(tmp_path / "state" / "journal.db")) as other, other:
            for statement in statements:
                other.execute(statement)

    return execute


def found(journal: Journal) -> list[tuple[int | None, str]]:
    return [(fault.seq, fault.text) for fault in journal.verify()]


def test_a_changed_record_is_found(filled: Journal, tamper: Tamper) -> None:
    tamper("UPDATE records SET body = replace(body, '\"good\"', '\"suspect\"') WHERE seq = 3")
    assert [seq for seq, _ in found(filled)] == [3]
    assert "was changed" in found(filled)[0][1]


def test_a_record_changed_together_with_its_checksum_is_found(filled: Journal, tamper: Tamper) -> None:
    row = filled.records()[2]
    body = row.body.replace('"good"', '"suspect"')
    crc = checksum(content((*row.said[:6], body, *row.said[7:])))
    tamper(f"UPDATE records SET body = replace(body, '\"good\"', '\"suspect\"'), crc = {crc} WHERE seq = 3")  # noqa: S608
    assert [seq for seq, _ in found(filled)] == [3]
    assert "does not follow" in found(filled)[0][1]


def test_a_removed_record_is_found(filled: Journal, tamper: Tamper) -> None:
    tamper("DELETE FROM records WHERE seq IN (3, 4)", "DELETE FROM evidence WHERE seq IN (3, 4)")
    assert found(filled) == [(4, "records 3 to 4 were removed")]


def test_removing_the_newest_record_is_found(filled: Journal, tamper: Tamper) -> None:
    tamper("DELETE FROM records WHERE seq = 6")
    assert found(filled)[0] == (6, "record 6 was removed from the end")


def test_removing_a_record_and_closing_the_gap_is_found(filled: Journal, tamper: Tamper) -> None:
    tamper(
        "DELETE FROM records WHERE seq = 3",
        "UPDATE records SET seq = seq - 1 WHERE seq > 3",
        "UPDATE chains SET last_seq = 5 WHERE name = 'records'",
    )
    assert 3 in [seq for seq, _ in found(filled)]


def test_two_records_that_changed_places_are_found(filled: Journal, tamper: Tamper) -> None:
    tamper(
        "UPDATE records SET seq = 100 WHERE seq = 2",
        "UPDATE records SET seq = 2 WHERE seq = 4",
        "UPDATE records SET seq = 4 WHERE seq = 100",
    )
    texts = dict(found(filled))
    assert "moved" in texts[2]
    assert "moved" in texts[4]


def test_changed_and_removed_events_are_found(filled: Journal, tamper: Tamper) -> None:
    tamper("UPDATE events SET gun = 'lower' WHERE seq = 2", "DELETE FROM events WHERE seq = 5")
    assert [seq for seq, _ in found(filled)] == [2, 5]


def test_changed_and_removed_raw_readings_are_found(filled: Journal, tamper: Tamper) -> None:
    tamper("UPDATE evidence SET data = zeroblob(10) WHERE seq = 2", "DELETE FROM evidence WHERE seq = 5")
    assert [text.rsplit(" ", 2)[-2:] for _, text in found(filled)] == [
        ["were", "changed"],
        ["were", "removed"],
    ]


def test_an_added_record_is_found(filled: Journal, tamper: Tamper) -> None:
    tamper(
        "INSERT INTO records SELECT 7, 'x', kind, cell, gun, at, 1, body, run, monotonic_ns, wall_ns, "
        "time_trusted, NULL, crc, hash FROM records WHERE seq = 6"
    )
    assert "record 7 was added behind the end" in [text for _, text in found(filled)]


def test_a_chain_rewritten_as_a_whole_is_found_with_a_hash_kept_elsewhere(
    filled: Journal, tamper: Tamper, tmp_path: Path
) -> None:
    anchor = filled.head()
    assert filled.verify([anchor]) == []
    with closing(sqlite3.connect(tmp_path / "state" / "journal.db")) as other, other:
        other.execute("UPDATE records SET body = replace(body, '\"good\"', '\"suspect\"') WHERE seq = 2")
        before = bytes(32)
        select = f"SELECT {RECORD_COLUMNS} FROM {RECORDS_FROM} ORDER BY r.seq"  # noqa: S608
        for values in other.execute(select).fetchall():
            row = Row(*values)
            said = content(row.said)
            before = link(before, row.seq, said)
            change = (checksum(said), before, row.seq)
            other.execute("UPDATE records SET crc = ?, hash = ? WHERE seq = ?", change)
        other.execute("UPDATE chains SET last_hash = ? WHERE name = 'records'", (before,))
    assert filled.verify() == []
    assert [fault.seq for fault in filled.verify([anchor])] == [6]


def test_the_hash_is_sha_256_of_what_it_says_it_is(filled: Journal) -> None:
    # FIPS 180-4 by way of hashlib, written out here without the journal's own functions.
    import hashlib
    import json

    first, second = filled.records()[:2]
    plain = [value.hex() if isinstance(value, bytes) else value for value in second.said]
    said = json.dumps(plain, separators=(",", ":")).encode()
    assert second.hash == hashlib.sha256(first.hash + (2).to_bytes(8, "big") + said).digest()
