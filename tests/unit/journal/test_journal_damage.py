"""A damaged file is set aside, a new one begun with what could be taken over; a backup comes back whole."""

from __future__ import annotations

import random
import sqlite3
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from agent.contract.evidence import Evidence
from agent.journal.errors import JournalError, JournalNewer
from agent.journal.files import restore
from agent.journal.journal import Journal
from agent.journal.migrations import Migration, shipped, statements


def fill(journal: Journal, dispense: Any, event: Any, count: int = 300) -> None:
    journal.declare_outlets({"influx": "all"})
    t_s = np.arange(60, dtype=np.float64) * 0.1
    raw = Evidence(t_s=t_s, mass_g=np.sin(t_s), stable=None, context={"n": 1})
    for n in range(0, count, 10):
        made = [dispense(m) for m in range(n, n + 10)]
        journal.append(made, [event(m) for m in range(n, n + 10)], {made[0].id: raw}, {"learned": b"much"})
    journal.settle("influx", count // 2)


@pytest.mark.parametrize("damage", ["header", "all", "stub", "half"])
def test_a_file_that_is_no_database_is_set_aside_and_told(
    journal: Journal, open_journal: Any, dispense: Any, tmp_path: Path, damage: str
) -> None:
    journal.append([dispense(n) for n in range(50)])
    journal.close()
    path = tmp_path / "state" / "journal.db"
    whole = path.read_bytes()
    path.write_bytes(
        {
            "header": b"not a database at all" + whole[21:],
            "all": random.Random(3).randbytes(len(whole)),
            "stub": b"x",
            "half": whole[: len(whole) // 2],
        }[damage]
    )
    again = open_journal()
    assert "journal-replaced" in [fault.code for fault in again.opened]
    assert [found.name for found in (tmp_path / "state").glob("journal.db.damaged-*")]
    again.append([dispense(1000)])
    assert again.verify() == []


def test_of_a_file_with_a_bad_page_all_other_rows_are_taken_over(
    journal: Journal, open_journal: Any, dispense: Any, event: Any, tmp_path: Path
) -> None:
    fill(journal, dispense, event)
    points = {row.id: row.time_ns for row in journal.records()}
    journal.close()
    path = tmp_path / "state" / "journal.db"
    with sqlite3.connect(path) as other:
        leaf = other.execute(
            "SELECT pageno FROM dbstat WHERE name = 'records' AND pagetype = 'leaf' ORDER BY pageno"
        ).fetchall()[5][0]
    other.close()
    with path.open("r+b") as file:
        file.seek((leaf - 1) * 4096)
        file.write(b"\xff" * 4096)
    again = open_journal()
    (fault,) = [fault for fault in again.opened if fault.code == "journal-replaced"]
    rows = again.records()
    assert 250 < len(rows) < 300, fault.text
    assert f"{len(rows)} records, 300 events" in fault.text
    # The same points in the database, however often they are sent.
    assert all(points[row.id] == row.time_ns for row in rows)
    assert again.verify() == []
    assert again.kept_state("learned") == b"much"
    assert len(list(again.with_evidence())) >= 25
    unsent = {row.id for row in again.pending("influx", 1000)}
    assert unsent == {row.id for row in rows} & {dispense(n).id for n in range(150, 300)}
    assert again.append(events=[event(7)]).known_events == ("north/event/e-7",)


def test_a_log_left_without_its_file_is_not_applied_to_a_new_one(
    journal: Journal, open_journal: Any, dispense: Any, tmp_path: Path
) -> None:
    journal.append([dispense(1)])
    folder = tmp_path / "state"
    log = (folder / "journal.db-wal").read_bytes()
    journal.close()
    (folder / "journal.db").unlink()
    (folder / "journal.db-wal").write_bytes(log)
    again = open_journal()
    assert [fault.code for fault in again.opened] == ["journal-replaced"]
    assert again.records() == []
    assert [found for found in folder.glob("journal.db.damaged-*-wal") if found.read_bytes() == log]


def test_an_emptied_file_is_told(journal: Journal, open_journal: Any, dispense: Any, tmp_path: Path) -> None:
    journal.append([dispense(1)])
    journal.close()
    (tmp_path / "state" / "journal.db").write_bytes(b"")
    assert [fault.code for fault in open_journal().opened] == ["journal-replaced"]


def test_a_folder_in_the_files_place_is_set_aside(open_journal: Any, tmp_path: Path) -> None:
    (tmp_path / "state" / "journal.db").mkdir(parents=True)
    assert [fault.code for fault in open_journal().opened] == ["journal-replaced"]


def test_a_file_whose_tables_were_dropped_is_set_aside(
    journal: Journal, open_journal: Any, tmp_path: Path
) -> None:
    journal.append(state={"learned": b"much"})
    journal.close()
    with sqlite3.connect(tmp_path / "state" / "journal.db") as other:
        other.execute("DROP TABLE settled")
    other.close()
    again = open_journal()
    assert [fault.code for fault in again.opened] == ["journal-replaced"]
    assert again.kept_state("learned") == b"much"


def test_no_more_than_five_damaged_files_are_kept(open_journal: Any, tmp_path: Path) -> None:
    for _ in range(8):
        open_journal().close()
        (tmp_path / "state" / "journal.db").write_bytes(b"rubbish" * 1000)
    open_journal()
    assert len(list((tmp_path / "state").glob("journal.db.damaged-*"))) == 5


def test_a_journal_of_a_later_version_is_left_alone(
    journal: Journal, open_journal: Any, tmp_path: Path
) -> None:
    journal.close()
    path = tmp_path / "state" / "journal.db"
    with sqlite3.connect(path) as other:
        other.execute("PRAGMA user_version = 999")
    other.close()
    before = path.read_bytes()
    with pytest.raises(JournalNewer, match="made by a later version of Shotgram"):
        open_journal()
    assert path.read_bytes() == before
    assert not list((tmp_path / "state").glob("*.damaged-*"))


def test_a_migration_is_applied_once_and_whole(journal: Journal, open_journal: Any, dispense: Any) -> None:
    journal.append([dispense(1)])
    journal.close()
    steps = (*shipped(), Migration(2, "ALTER TABLE records ADD COLUMN extra TEXT;\nCREATE TABLE two (x);\n"))
    for _ in range(2):
        again = open_journal(migrations=steps)
        assert again.database.one("PRAGMA user_version") == 2
        assert again.database.one("SELECT count(*) FROM two") == 0
        assert [row.record() for row in again.records()] == [dispense(1)]
        assert again.verify() == []
        again.close()


def test_a_migration_that_fails_half_way_leaves_the_old_version(
    journal: Journal, open_journal: Any, dispense: Any
) -> None:
    journal.append([dispense(1)])
    journal.close()
    bad = (*shipped(), Migration(2, "CREATE TABLE two (x);\nINSERT INTO nowhere VALUES (1);\n"))
    with pytest.raises(JournalError):
        open_journal(migrations=bad)
    again = open_journal()
    assert again.database.one("PRAGMA user_version") == 1
    assert again.database.one("SELECT count(*) FROM sqlite_master WHERE name = 'two'") == 0
    assert [row.record() for row in again.records()] == [dispense(1)]


def test_statements_are_split_where_sqlite_says_so() -> None:
    script = "-- a word; with a semicolon\nCREATE TABLE a (x); \n\nINSERT INTO a VALUES ('1;2');\n"
    assert len(statements(script)) == 2
    with pytest.raises(ValueError, match="in the middle of a statement"):
        statements("CREATE TABLE a (")


def test_a_backup_taken_while_writing_is_restored_on_a_new_machine(
    journal: Journal, open_journal: Any, dispense: Any, event: Any, tmp_path: Path
) -> None:
    fill(journal, dispense, event, 100)
    journal.backup(tmp_path / "copy.db")
    journal.append([dispense(5000)])
    restore(tmp_path / "copy.db", tmp_path / "new")
    other = open_journal(tmp_path / "new")
    assert [row.body for row in other.records()] == [row.body for row in journal.records()][:-1]
    assert len(other.events()) == 100
    assert other.verify() == []
    assert len(other.pending("influx", 1000)) == 50
    assert other.kept_state("learned") == b"much"
    with pytest.raises(JournalError, match="is there already"):
        restore(tmp_path / "copy.db", tmp_path / "new")


def test_a_damaged_backup_is_refused(journal: Journal, dispense: Any, event: Any, tmp_path: Path) -> None:
    fill(journal, dispense, event, 100)
    journal.backup(tmp_path / "copy.db")
    data = bytearray((tmp_path / "copy.db").read_bytes())
    data[4096 * 6 : 4096 * 9] = b"\xff" * 4096 * 3
    (tmp_path / "copy.db").write_bytes(data)
    with pytest.raises(JournalError, match=r"damaged|contradicts"):
        restore(tmp_path / "copy.db", tmp_path / "new")
    with pytest.raises(JournalError, match="there is no backup"):
        restore(tmp_path / "nothing.db", tmp_path / "new")
    assert not (tmp_path / "new" / "journal.db").exists()
