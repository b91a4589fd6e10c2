"""What is appended is there, once, in order, and says who wrote it and when."""

from __future__ import annotations

import sqlite3
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from agent.contract.evidence import Evidence
from agent.contract.inputs import AlarmCommand, RawMessage, Reply, Undecodable
from agent.contract.record_json import to_json
from agent.journal.errors import JournalClosed, JournalIoError, JournalLocked
from agent.journal.journal import Journal
from agent.journal.limits import JournalLimits
from agent.journal.reading import JournalReader


def test_a_record_is_read_back_as_it_was_said(journal: Journal, dispense: Any) -> None:
    said = dispense(1)
    done = journal.append([said])
    assert [row.id for row in done.new] == [said.id]
    row = journal.record(said.id)
    assert row is not None
    assert row.body == to_json(said)
    assert row.record() == said
    assert (row.seq, row.kind, row.cell, row.gun, row.at) == (1, "dispense", "north", "upper", said.at)
    assert (row.version, row.config) == ("0.1.0", "0123456789abcdef")
    assert row.boot_id
    assert row.monotonic_ns > 0
    assert row.time_trusted


def test_the_same_record_again_writes_nothing_and_says_so(journal: Journal, dispense: Any) -> None:
    journal.append([dispense(1)])
    done = journal.append([dispense(1), dispense(2), dispense(2)])
    assert [row.seq for row in done.new] == [2]
    assert done.known == (dispense(1).id, dispense(2).id)
    assert done.differing == ()
    assert journal.last_seq() == 2


def test_the_same_id_with_another_content_is_told_and_the_first_stands(
    journal: Journal, dispense: Any
) -> None:
    first, other = dispense(1), dispense(1, mass_g=1.0)
    journal.append([first])
    assert journal.append([other]).differing == (first.id,)
    assert journal.record(first.id).record() == first  # type: ignore[union-attr]


def test_events_are_known_by_cell_and_id_however_often_they_are_delivered(
    journal: Journal, event: Any
) -> None:
    assert journal.append(events=[event(1)]).new_events == ("north/event/e-1",)
    again = journal.append(events=[event(1, arrived_s=9e8, retained=True), event(1, cell="south"), event(2)])
    assert again.known_events == ("north/event/e-1",)
    assert again.differing == ()
    assert again.new_events == ("south/event/e-1", "north/event/e-2")
    assert journal.append(events=[event(1, gun="lower")]).differing == ("north/event/e-1",)
    assert journal.knows_event(event(2))
    assert not journal.knows_event(event(3))


def test_an_event_is_read_back_as_it_came(journal: Journal, event: Any) -> None:
    given = [
        event(1),
        event(2, event="cell_ready", ready=False, reason="door open", gun=None, purpose=None, setup=None),
        Reply("north", 5.0, "request-1", accepted=False, reason="busy"),
        AlarmCommand("north", 6.0, "line-air", "shelve", by="Ada", minutes=0.5),
    ]
    journal.append(events=given)
    assert [row.event() for row in journal.events()] == given
    assert [row.seq for row in journal.events(after_seq=2)] == [3, 4]
    assert [row.event() for row in journal.events(kind="cell_ready")] == [given[1]]


def test_an_append_is_whole_or_not_at_all(journal: Journal, dispense: Any, event: Any) -> None:
    with pytest.raises(ValueError, match="no-time"):
        journal.append([dispense(1), dispense(2, at="no-time")], [event(1)], state={"s": b"x"})
    assert journal.last_seq() == 0
    assert journal.events() == []
    assert journal.kept_state("s") is None


def test_evidence_comes_back_bit_by_bit(journal: Journal, dispense: Any) -> None:
    t_s = 1.77e9 + np.arange(301) * 0.1 + np.random.default_rng(1).normal(0, 0.003, 301)
    mass_g = np.round(np.cumsum(np.full(301, 0.16)), 1)
    mass_g[7] = np.nan
    given = Evidence(
        t_s=t_s, mass_g=mass_g, stable=np.arange(301) % 3 == 0, context={"open_s": 20.0, "α": None}
    )
    journal.append([dispense(1), dispense(2)], evidence={dispense(1).id: given})
    found = journal.evidence(dispense(1).id)
    assert found is not None
    assert found.t_s.tobytes() == t_s.tobytes()
    assert found.mass_g.tobytes() == mass_g.tobytes()
    assert found.stable is not None
    assert (found.stable == given.stable).all()
    assert found.context == given.context
    assert journal.evidence(dispense(2).id) is None
    assert [row.id for row, _ in journal.with_evidence()] == [dispense(1).id]


def test_every_point_has_a_time_of_its_own_and_keeps_its_millisecond(
    journal: Journal, dispense: Any, alert: Any
) -> None:
    journal.append([dispense(1, at_s=1.77e9), dispense(2, gun="lower", at_s=1.77e9)])
    journal.append([alert(n, at_s=1.77e9) for n in range(20)])
    rows = journal.records()
    assert len({row.time_ns for row in rows}) == 22
    assert {row.time_ns // 1_000_000 for row in rows[:2]} == {1_770_000_000_000}
    # One series keeps one point per millisecond, for databases that keep no finer time.
    assert [row.time_ns // 1_000_000 - 1_770_000_000_000 for row in rows[2:]] == list(range(20))


def test_kept_state_is_replaced_and_forgotten(journal: Journal, open_journal: Any) -> None:
    journal.append(state={"learned": b"\x00one", "open": b"two"})
    journal.keep({"learned": b"three", "open": b""})
    assert journal.kept_state("learned") == b"three"
    assert journal.kept_state("open") is None
    with pytest.raises(ValueError, match="at most"):
        journal.keep({"learned": bytes(2_000_000)})
    journal.close()
    assert open_journal().kept_state("learned") == b"three"


def test_the_quarantine_keeps_the_newest_and_cuts_to_size(open_journal: Any) -> None:
    journal = open_journal(limits=JournalLimits(quarantine_rows=3, quarantine_bytes=8))
    for number in range(5):
        message = RawMessage("plant/north/x", f"{number}-rubbish-rubbish".encode(), 1.77e9)
        what = Undecodable("plant/north/x", 1.77e9, "not JSON", "not_json")
        journal.append(refused=[(message, what)])
    assert [payload for _, payload, _, _ in journal.quarantined()] == [b"4-rubbis", b"3-rubbis", b"2-rubbis"]


def test_records_are_found_by_what_they_are(journal: Journal, dispense: Any, alert: Any) -> None:
    journal.append([dispense(n, gun="upper" if n % 2 else "lower") for n in range(10)])
    journal.append([alert(1)])
    assert [row.seq for row in journal.records(gun="upper", limit=2)] == [2, 4]
    assert [row.seq for row in journal.records("dispense", newest_first=True, limit=2)] == [10, 9]
    assert len(journal.records(since=1_770_000_000.0 + 40 * 7)) == 3
    assert journal.latest("dispense", "north", "lower").seq == 9  # type: ignore[union-attr]
    assert journal.latest("dispense", "south") is None
    assert journal.latest("alert", "north").seq == 11  # type: ignore[union-attr]


def test_a_second_agent_is_refused_with_a_word_on_what_to_do(journal: Journal, open_journal: Any) -> None:
    with pytest.raises(JournalLocked, match=r"another agent works here \(process \d+\); stop it"):
        open_journal()
    journal.close()
    open_journal()


def test_a_reader_sees_what_was_committed_and_changes_nothing(
    journal: Journal, dispense: Any, tmp_path: Path
) -> None:
    journal.append([dispense(1)])
    with JournalReader.of_folder(tmp_path / "state") as reader:
        assert [row.id for row in reader.records()] == [dispense(1).id]
        journal.append([dispense(2)])
        assert reader.last_seq() == 2


def test_a_reader_opens_a_journal_that_nobody_has_open(
    journal: Journal, dispense: Any, event: Any, tmp_path: Path
) -> None:
    journal.append([dispense(1)], [event(1), event(2, event="part_changed", part="nozzle")])
    journal.close()
    with JournalReader.of_folder(tmp_path / "state") as reader:
        assert reader.last_seq() == 1
        assert [row.kind for row in reader.events(kind="part_changed")] == ["part_changed"]
        plan = reader.database.read(
            "EXPLAIN QUERY PLAN SELECT * FROM events AS r WHERE r.kind = ? AND r.kind NOT IN "
            "('gun_opened', 'gun_closed') ORDER BY r.seq DESC",
            ("part_changed",),
        )
        assert "events_rare" in plan[0][3]
    with pytest.raises(JournalIoError, match="the agent has not run with this state_dir yet"):
        JournalReader.of_folder(tmp_path / "elsewhere")


def test_every_connection_is_durable(journal: Journal) -> None:
    view = journal.outlet_view("influx")
    for database in (journal.database, view.database):
        assert database.one("PRAGMA journal_mode") == "wal"
        assert database.one("PRAGMA synchronous") == 2
    view.close()


def test_a_closed_journal_says_so(journal: Journal, dispense: Any) -> None:
    journal.close()
    with pytest.raises(JournalClosed, match="was closed"):
        journal.append([dispense(1)])
    with pytest.raises(JournalClosed, match="was closed"):
        journal.records()


def test_files_are_for_their_owner_alone(journal: Journal, dispense: Any, tmp_path: Path) -> None:
    journal.append([dispense(1)])
    modes = {path.name: path.stat().st_mode & 0o777 for path in (tmp_path / "state").iterdir()}
    assert modes.keys() >= {"journal.db", "journal.db-wal", "journal.lock", "journal.ballast"}
    assert {mode & 0o077 for name, mode in modes.items() if name != "journal.owner"} == {0}, modes
    assert (tmp_path / "state").stat().st_mode & 0o777 == 0o700


def test_an_unclean_end_is_told_at_the_next_start(journal: Journal, open_journal: Any) -> None:
    assert journal.opened == ()
    journal.database.close()  # as a killed process leaves it
    journal._lock_file.give_back()
    again = open_journal()
    assert [fault.code for fault in again.opened] == ["restarted-uncleanly"]
    again.close()
    assert open_journal().opened == ()


def test_no_foreign_error_leaks(journal: Journal) -> None:
    from agent.journal.errors import JournalError

    with pytest.raises(JournalError) as caught:
        journal.database.read("SELECT * FROM nothing_of_this_name")
    assert isinstance(caught.value.__cause__, sqlite3.Error)
