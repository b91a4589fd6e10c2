"""A backup is checked row by row: a damaged one never takes the place of the last sound one."""

from __future__ import annotations

import sqlite3
import threading
from pathlib import Path
from typing import Any

import pytest

from agent.journal.backing_up import FAILED
from agent.journal.database import Database, Tripwire
from agent.journal.journal import Journal
from agent.journal.limits import JournalLimits
from agent.journal.putting_back import backup_of, damaged_copy_of
from agent.journal.verify import verify


def flip(journal: Journal, row_id: str) -> None:
    """One bit of what a row says, in the file itself, as a failing card does it: SQLite sees nothing."""
    journal.database.checkpoint()
    path = journal.folder / "journal.db"
    data = bytearray(path.read_bytes())
    at = data.rfind(f'"id":"{row_id}"'.encode())
    assert at > 0
    data[at + 6] ^= 0x01
    path.write_bytes(data)
    with sqlite3.connect(path) as raw:
        assert raw.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    raw.close()


def faults_of(path: Path) -> list[str]:
    database = Database(path, JournalLimits(), Tripwire(), read_only=True)
    try:
        return [fault.text for fault in verify(database)]
    finally:
        database.close()


def newest(path: Path) -> int:
    database = Database(path, JournalLimits(), Tripwire(), read_only=True)
    try:
        return int(database.one("SELECT max(seq) FROM records"))
    finally:
        database.close()


def test_a_sound_journal_is_copied_and_nothing_is_told(journal: Journal, dispense: Any, event: Any) -> None:
    journal.append([dispense(n) for n in range(5)], [event(n) for n in range(5)])
    assert journal.backup(backup_of(journal.folder)) == []
    assert faults_of(backup_of(journal.folder)) == []
    assert sorted(path.name for path in backup_of(journal.folder).parent.iterdir()) == ["journal.db"]


def test_a_row_that_nobody_read_yet_is_put_back_by_the_next_backup(
    journal: Journal, dispense: Any, event: Any
) -> None:
    backup = backup_of(journal.folder)
    records = [dispense(n) for n in range(5)]
    journal.append(records, [event(n) for n in range(5)])
    assert journal.backup(backup) == []
    flip(journal, records[2].id)
    journal.append([dispense(5)])
    told = journal.backup(backup)
    assert [fault.code for fault in told] == ["journal-corrupt-row"]
    assert "was put back from the backup" in told[0].text
    assert journal.verify() == []
    assert faults_of(backup) == []
    assert newest(backup) == 6


def test_a_row_that_no_copy_holds_does_not_take_the_last_sound_backups_place(
    journal: Journal, dispense: Any, event: Any
) -> None:
    backup = backup_of(journal.folder)
    journal.append([dispense(n) for n in range(5)], [event(n) for n in range(5)])
    assert journal.backup(backup) == []
    before = backup.read_bytes()
    records = [dispense(n) for n in range(5, 9)]
    journal.append(records)
    flip(journal, records[1].id)
    told = {fault.code: fault.text for fault in journal.backup(backup)}
    assert set(told) == {"journal-corrupt-row", FAILED}
    assert "record 7" in told[FAILED]
    assert "is kept as journal.db" in told[FAILED]
    assert backup.read_bytes() == before
    # The newest rows have a copy all the same.
    assert newest(damaged_copy_of(backup)) == 9


def test_a_row_is_put_back_from_the_newer_copy_that_is_not_sound_itself(
    journal: Journal, dispense: Any, event: Any
) -> None:
    backup = backup_of(journal.folder)
    journal.append([dispense(0)], [event(0)])
    assert journal.backup(backup) == []
    records = [dispense(n) for n in range(1, 5)]
    journal.append(records)
    flip(journal, records[0].id)
    assert FAILED in [fault.code for fault in journal.backup(backup)]
    flip(journal, records[2].id)
    told = journal.backup(backup)
    texts = [fault.text for fault in told if fault.code == "journal-corrupt-row"]
    assert len([text for text in texts if "(row 4)" in text and "was put back" in text]) == 1
    assert len([text for text in texts if "(row 2)" in text and "is not used" in text]) == 1
    assert len(faults_of(damaged_copy_of(backup))) == 1


def test_once_the_damage_is_gone_the_backup_goes_on(journal: Journal, dispense: Any, event: Any) -> None:
    backup = backup_of(journal.folder)
    records = [dispense(n) for n in range(3)]
    journal.append(records, [event(0)])
    flip(journal, records[1].id)
    told = [fault for fault in journal.backup(backup) if fault.code == FAILED]
    assert "there is no sound one" in told[0].text
    flip(journal, records[1].id.replace(records[1].id[0], chr(ord(records[1].id[0]) ^ 1), 1))
    assert journal.backup(backup) == []
    assert not damaged_copy_of(backup).exists()
    assert newest(backup) == 3


@pytest.mark.parametrize("what", ["page", "readings"])
def test_other_damage_is_found_as_well(journal: Journal, dispense: Any, event: Any, what: str) -> None:
    backup = backup_of(journal.folder)
    journal.append([dispense(n) for n in range(60)], [event(n) for n in range(60)])
    journal.database.checkpoint()
    path = journal.folder / "journal.db"
    with sqlite3.connect(path) as raw:
        if what == "readings":
            raw.execute("UPDATE records SET evidence_sha = x'00' WHERE seq = 1")
        else:
            page = raw.execute("SELECT rootpage FROM sqlite_master WHERE name = 'events'").fetchone()[0]
    raw.close()
    if what == "page":
        data = bytearray(path.read_bytes())
        data[4096 * (page - 1) : 4096 * page] = b"\xff" * 4096
        path.write_bytes(data)
    assert FAILED in [fault.code for fault in journal.backup(backup)]
    assert not backup.exists()


def test_where_there_is_no_room_that_is_told_and_nothing_is_left(
    open_journal: Any, dispense: Any, event: Any
) -> None:
    journal = open_journal(limits=JournalLimits(ballast_bytes=0))
    journal.append([dispense(0)], [event(0)])
    backup = backup_of(journal.folder)
    assert journal.backup(backup) == []
    before = backup.read_bytes()
    # More must stay free than any disk has: this one is too small.
    journal.limits = JournalLimits(ballast_bytes=1 << 60)
    (told,) = journal.backup(backup)
    assert told.code == FAILED
    assert "are needed" in told.text
    assert backup.read_bytes() == before
    assert [path.name for path in backup.parent.iterdir()] == ["journal.db"]


def test_a_backup_beside_a_busy_writer_is_whole(journal: Journal, dispense: Any, event: Any) -> None:
    backup = backup_of(journal.folder)
    journal.append([dispense(n) for n in range(50)], [event(n) for n in range(50)])
    told: list[Any] = []
    done = threading.Event()

    def copy() -> None:
        try:
            for _ in range(5):
                told.extend(journal.backup(backup))
        finally:
            done.set()

    thread = threading.Thread(target=copy)
    thread.start()
    number = 50
    while not done.is_set():
        journal.append([dispense(number)], [event(number)])
        number += 1
    thread.join()
    assert told == []
    assert 50 <= newest(backup) <= number
    assert journal.verify() == []
