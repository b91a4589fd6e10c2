"""A damaged row is put back from the daily backup where the chain proves it, and only there."""

from __future__ import annotations

import sqlite3
from pathlib import Path
from typing import Any

import pytest

from agent.journal.journal import Journal
from agent.journal.putting_back import backup_of
from agent.journal.reading import JournalReader


def backed_up(journal: Journal, dispense: Any, event: Any) -> list[str]:
    """Five records and events, a backup, and one record more; the bodies."""
    journal.append([dispense(n) for n in range(5)], [event(n) for n in range(5)])
    backup_of(journal.folder).parent.mkdir()
    journal.backup(backup_of(journal.folder))
    journal.append([dispense(5)])
    return [row.body for row in journal.records()]


def spoil(folder: Path, change: str) -> None:
    with sqlite3.connect(folder / "journal.db") as raw:
        assert raw.execute(f"UPDATE {change}").rowcount == 1
    raw.close()


@pytest.mark.parametrize(
    "damage",
    [
        "body = replace(body, 'flow', 'fl0w')",
        "crc = crc + 1",
        "cell = 'elsewhere'",
        "id = 'dispense-none'",
        "evidence_sha = x'00'",
    ],
)
@pytest.mark.parametrize("seq", [1, 3, 5])
def test_a_damaged_record_is_put_back_and_forwarded(
    journal: Journal, dispense: Any, event: Any, damage: str, seq: int
) -> None:
    bodies = backed_up(journal, dispense, event)
    spoil(journal.folder, f"records SET {damage} WHERE seq = {seq}")
    assert journal.verify() != []
    with journal.outlet_view("influx") as view:
        assert [row.body for row in view.pending(10)] == bodies
        assert view.aside() == []
        told = view.take_faults()
    assert [(fault.code, fault.seq) for fault in told] == [("journal-corrupt-row", seq)]
    assert "was put back from the backup" in told[0].text
    assert journal.verify() == []


def test_a_damaged_hash_is_put_back_with_the_row_and_the_chain_is_whole(
    journal: Journal, dispense: Any, event: Any
) -> None:
    backed_up(journal, dispense, event)
    spoil(journal.folder, "records SET hash = zeroblob(32), crc = 0 WHERE seq = 4")
    assert len(journal.records()) == 6
    assert journal.verify() == []


def test_a_damaged_event_is_put_back(journal: Journal, dispense: Any, event: Any) -> None:
    backed_up(journal, dispense, event)
    spoil(journal.folder, "events SET body = '{}' WHERE seq = 2")
    assert len(journal.events()) == 5
    assert journal.verify() == []


def test_what_the_backup_does_not_hold_is_set_aside(journal: Journal, dispense: Any, event: Any) -> None:
    backed_up(journal, dispense, event)
    spoil(journal.folder, "records SET body = '{}' WHERE seq = 6")
    with journal.outlet_view("influx") as view:
        assert [row.seq for row in view.pending(10)] == [1, 2, 3, 4, 5]
        assert [seq for seq, _ in view.aside()] == [6]


def test_a_row_of_another_journal_is_never_taken(
    journal: Journal, open_journal: Any, dispense: Any, event: Any, tmp_path: Path
) -> None:
    backed_up(journal, dispense, event)
    other = open_journal(tmp_path / "other")
    other.append([dispense(n) for n in range(100, 105)])
    other.backup(backup_of(journal.folder))
    spoil(journal.folder, "records SET body = '{}' WHERE seq = 1")
    assert [row.seq for row in journal.records()] == [2, 3, 4, 5, 6]


def test_a_damaged_copy_and_a_backup_that_is_none_are_never_taken(
    journal: Journal, dispense: Any, event: Any
) -> None:
    backed_up(journal, dispense, event)
    backup = backup_of(journal.folder)
    for folder in (journal.folder, backup.parent):
        spoil(folder, "records SET body = '{}' WHERE seq = 3")
    assert [row.seq for row in journal.records()] == [1, 2, 4, 5, 6]
    backup.write_bytes(b"no database")
    assert [row.seq for row in journal.records()] == [1, 2, 4, 5, 6]
    assert len(journal.append([dispense(7)]).new) == 1


def test_who_only_reads_changes_nothing(journal: Journal, dispense: Any, event: Any) -> None:
    backed_up(journal, dispense, event)
    spoil(journal.folder, "records SET body = '{}' WHERE seq = 3")
    with JournalReader.of_folder(journal.folder) as reader:
        assert [row.seq for row in reader.records()] == [1, 2, 4, 5, 6]
        assert "is not used" in reader.take_faults()[0].text
    assert len(journal.records()) == 6
