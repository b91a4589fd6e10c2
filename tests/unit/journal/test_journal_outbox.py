"""An outlet gets every record once, in order, and none that is damaged."""

from __future__ import annotations

import itertools
import sqlite3
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.journal.journal import Journal
from agent.journal.outbox import gaps, joined
from agent.journal.stamp import Stamp


def seqs(rows: Any) -> list[int]:
    return [row.seq for row in rows]


def test_each_outlet_has_a_cursor_of_its_own(journal: Journal, dispense: Any) -> None:
    journal.declare_outlets({"mqtt": "all", "influx": "all"})
    journal.append([dispense(n) for n in range(5)])
    assert seqs(journal.pending("mqtt", 3)) == [1, 2, 3]
    journal.settle("mqtt", 2)
    assert seqs(journal.pending("mqtt", 10)) == [3, 4, 5]
    assert seqs(journal.pending("influx", 10)) == [1, 2, 3, 4, 5]


def test_the_cursor_survives_a_restart_and_settling_back_changes_nothing(
    journal: Journal, open_journal: Any, dispense: Any
) -> None:
    journal.append([dispense(n) for n in range(5)])
    journal.settle("mqtt", 4)
    journal.settle("mqtt", 1)
    journal.close()
    assert seqs(open_journal().pending("mqtt", 10)) == [5]


def test_new_records_may_be_settled_before_the_backlog(journal: Journal, dispense: Any) -> None:
    journal.append([dispense(n) for n in range(10)])
    with journal.outlet_view("influx") as view:
        view.settle_rows(view.pending(2, after_seq=6))
        assert seqs(view.pending(20)) == [1, 2, 3, 4, 5, 6, 9, 10]
        assert seqs(view.pending(20, through_seq=6)) == [1, 2, 3, 4, 5, 6]
        assert view.backlog() == 8
        view.settle_rows(view.pending(6))
        assert seqs(view.pending(20)) == [9, 10]
        view.settle(10)
        assert view.backlog() == 0
        assert view.oldest_pending() is None


def test_a_new_outlet_begins_where_it_is_told_and_an_old_one_goes_on(journal: Journal, dispense: Any) -> None:
    journal.append([dispense(n) for n in range(3)])
    journal.declare_outlets({"influx": "all", "people": "new"})
    assert len(journal.pending("influx", 10)) == 3
    assert journal.pending("people", 10) == []
    journal.append([dispense(3)])
    journal.declare_outlets({"influx": "new", "people": "new"})
    assert len(journal.pending("influx", 10)) == 4
    assert seqs(journal.pending("people", 10)) == [4]


def test_a_row_set_aside_is_not_pending_and_may_be_tried_again(journal: Journal, dispense: Any) -> None:
    journal.append([dispense(n) for n in range(3)])
    with journal.outlet_view("influx") as view:
        view.set_aside(view.pending(3)[1], "422: outside retention")
        assert seqs(view.pending(10)) == [1, 3]
        assert view.aside() == [(2, "422: outside retention")]
        assert view.try_again() == 1
        assert seqs(view.pending(10)) == [1, 2, 3]
        assert view.aside() == []


@pytest.mark.parametrize(
    ("column", "value"),
    [
        ("body", "replace(body, '32.0', '82.0')"),
        ("body", "CAST(x'7bff00fe7d' AS TEXT)"),
        ("gun", "'lower'"),
        ("point_ns", "point_ns + 1"),
        ("crc", "crc + 1"),
        ("run", "99"),
        ("wall_ns", "'soon'"),
    ],
)
def test_a_damaged_row_is_never_forwarded_and_is_told(
    journal: Journal, dispense: Any, tmp_path: Path, column: str, value: str
) -> None:
    journal.append([dispense(n) for n in range(3)])
    with sqlite3.connect(tmp_path / "state" / "journal.db") as other:
        other.execute(f"UPDATE records SET {column} = {value} WHERE seq = 2")  # noqa: S608
    other.close()
    with journal.outlet_view("influx") as view:
        assert seqs(view.pending(10)) == [1, 3]
        faults = view.take_faults()
        assert [(fault.code, fault.seq) for fault in faults] == [("journal-corrupt-row", 2)]
        assert seqs(view.pending(10)) == [1, 3]
        assert view.take_faults() == []
        assert view.aside() == [(2, "damaged: the checksum does not fit")]
    assert seqs(journal.records()) == [1, 3]
    assert [fault.code for fault in journal.take_faults()] == ["journal-corrupt-row"]
    assert journal.verify()


def test_records_of_an_untrusted_clock_wait_until_their_time_is_mended_once(
    open_journal: Any, dispense: Any, alert: Any, tmp_path: Path
) -> None:
    moment = {"wall_s": 10.0, "trusted": False}

    def clock() -> Stamp:
        return Stamp("boot-1", 5_000_000_000, round(moment["wall_s"] * 1e9), bool(moment["trusted"]))

    journal = open_journal(clock=clock)
    true_s = 1_770_000_000.0
    # One record's time stands on the agent's own clock, which shows 1970; the other's on the scale's.
    journal.append([alert(1, at_s=9.0), dispense(1, at_s=true_s - 1.0)])
    view = journal.outlet_view("influx", hold_untrusted=True)
    mqtt = journal.outlet_view("mqtt")
    assert view.pending(10) == []
    assert len(mqtt.pending(10)) == 2
    moment.update(wall_s=true_s, trusted=True)
    journal.append([alert(2, at_s=true_s)])
    assert seqs(view.pending(10)) == [3]
    assert journal.mend_times("boot-1", true_s - 10.0) == 2
    rows = view.pending(10)
    assert [round(row.time_ns / 1e9, 2) - true_s for row in rows] == [-1.0, -1.0, 0.0]
    assert journal.mend_times("boot-1", 500.0) == 0
    assert [row.time_ns for row in view.pending(10)] == [row.time_ns for row in rows]
    assert journal.verify() == []
    assert len({row.time_ns for row in rows}) == 3
    view.close()
    mqtt.close()


ranges = st.lists(st.tuples(st.integers(1, 40), st.integers(1, 40)).map(lambda pair: (min(pair), max(pair))))


@given(ranges, st.integers(0, 45))
def test_gaps_and_settled_ranges_are_all_there_is(given_ranges: list[tuple[int, int]], last: int) -> None:
    settled = {n for first, end in given_ranges for n in range(first, end + 1)}
    result = joined(given_ranges)
    assert {n for first, end in result for n in range(first, end + 1)} == settled
    assert all(one[1] + 1 < other[0] for one, other in itertools.pairwise(result))
    missing = {n for first, end in gaps(result, last) for n in range(first, end + 1)}
    assert missing == set(range(1, last + 1)) - settled
