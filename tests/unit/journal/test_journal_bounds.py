"""The journal stays within its bounds, and tells what it lost where it had to lose anything."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from agent.contract.evidence import Evidence
from agent.journal.errors import JournalFull
from agent.journal.journal import Journal
from agent.journal.limits import JournalLimits
from agent.journal.retention import used_bytes
from agent.journal.space import Ballast, Space
from agent.journal.stamp import Stamp

RANDOM = np.random.default_rng(7)


def bulk(size: int = 300) -> Evidence:
    return Evidence(t_s=RANDOM.random(size), mass_g=RANDOM.random(size), stable=None, context={})


def fill(journal: Journal, dispense: Any, first: int, count: int) -> list[Any]:
    return [
        journal.append([dispense(n)], evidence={dispense(n).id: bulk()}) for n in range(first, first + count)
    ]


def test_sent_rows_go_by_number_and_the_chain_stays_whole(
    open_journal: Any, dispense: Any, event: Any
) -> None:
    journal = open_journal(limits=JournalLimits(keep_rows=20))
    journal.declare_outlets({"influx": "all"})
    journal.append([dispense(n) for n in range(50)], [event(n) for n in range(50)])
    kept = journal.tend()
    assert (kept.pruned.records, kept.pruned.events) == (0, 30)
    journal.settle("influx", 35)
    assert journal.tend().pruned.records == 30
    assert [row.seq for row in journal.records()] == list(range(31, 51))
    assert [row.seq for row in journal.pending("influx", 50)] == list(range(36, 51))
    assert journal.verify() == []
    journal.append([dispense(50)])
    assert journal.verify() == []


def test_sent_rows_go_by_bytes(open_journal: Any, dispense: Any) -> None:
    journal = open_journal(limits=JournalLimits(keep_bytes=2_000_000))
    journal.declare_outlets({"influx": "all"})
    fill(journal, dispense, 0, 700)
    journal.settle("influx", 700)
    assert used_bytes(journal.database) > 2_000_000
    assert journal.tend().pruned.records > 0
    assert used_bytes(journal.database) <= 2_000_000
    assert journal.verify() == []


def test_unsent_rows_stay_until_the_quota_and_then_the_loss_is_declared(
    open_journal: Any, dispense: Any
) -> None:
    limits = JournalLimits(keep_bytes=1_000_000, quota_bytes=4_000_000)
    journal = open_journal(limits=limits)
    journal.declare_outlets({"influx": "all", "mqtt": "all"})
    fill(journal, dispense, 0, 300)
    journal.settle("mqtt", 100)
    assert journal.tend().pruned.records == 0
    done = fill(journal, dispense, 300, 700)
    assert all(one.new for one in done)
    losses = [fault for one in done for fault in one.faults if fault.code == "records-lost"]
    assert losses
    assert "records 1 to 500" in losses[0].text
    assert "500 not sent to influx" in losses[0].text
    assert "400 not sent to mqtt" in losses[0].text
    assert journal.database.path.stat().st_size <= 4_000_000
    assert journal.verify() == []
    assert journal.pending("influx", 1)[0].seq == 501
    stored = journal.database.read("SELECT first_seq, last_seq, unsent FROM prunings")
    assert stored == [(1, 500, '[{"influx": 500, "mqtt": 400}]')]


def test_at_the_quota_sent_rows_go_first_and_nothing_is_lost(open_journal: Any, dispense: Any) -> None:
    journal = open_journal(limits=JournalLimits(keep_bytes=4_000_000, quota_bytes=4_000_000))
    journal.declare_outlets({"influx": "all"})
    for n in range(1000):
        done = journal.append([dispense(n)], evidence={dispense(n).id: bulk()})
        assert not [fault for fault in done.faults if fault.code == "records-lost"]
        journal.settle("influx", n + 1)
    assert journal.last_seq() == 1000


def test_a_quota_too_small_for_anything_refuses_and_changes_nothing(open_journal: Any, dispense: Any) -> None:
    journal = open_journal(limits=JournalLimits(keep_bytes=200_000, quota_bytes=200_000))
    journal.append([dispense(1)])
    with pytest.raises(JournalFull, match="no room left"):
        journal.append([dispense(2)], evidence={dispense(2).id: bulk(50_000)})
    assert journal.record(dispense(2).id) is None
    journal.append([dispense(3)])
    assert journal.verify() == []


def test_an_outlet_that_is_no_longer_configured_holds_nothing_back(open_journal: Any, dispense: Any) -> None:
    journal = open_journal(limits=JournalLimits(keep_rows=10))
    journal.declare_outlets({"influx": "all"})
    journal.append([dispense(n) for n in range(30)])
    assert journal.tend().pruned.records == 0
    journal.declare_outlets({"mqtt": "new"})
    assert journal.tend().pruned.records == 20


class Clock:
    def __init__(self) -> None:
        self.s = 1_770_000_000.0
        self.run_s = 100.0
        self.trusted = True

    def pass_time(self, seconds: float) -> None:
        self.s += seconds
        self.run_s += seconds

    def __call__(self) -> Stamp:
        return Stamp("boot", round(self.run_s * 1e9), round(self.s * 1e9), self.trusted)


def test_raw_readings_go_by_age_before_their_records(open_journal: Any, dispense: Any) -> None:
    clock = Clock()
    journal = open_journal(clock=clock, limits=JournalLimits(keep_s=100 * 86400.0, keep_raw_s=10 * 86400.0))
    journal.append([dispense(1)], evidence={dispense(1).id: bulk()})
    clock.pass_time(20 * 86400.0)
    journal.append([dispense(2)], evidence={dispense(2).id: bulk()})
    journal.tend()
    assert journal.evidence(dispense(1).id) is None
    assert journal.evidence(dispense(2).id) is not None
    assert len(journal.records()) == 2
    assert journal.verify() == []
    clock.pass_time(85 * 86400.0)
    journal.append([dispense(3)])
    assert journal.tend().pruned.records == 1
    assert [row.seq for row in journal.records()] == [2, 3]
    assert journal.verify() == []


def test_a_clock_that_jumps_by_decades_makes_nothing_old(open_journal: Any, dispense: Any) -> None:
    clock = Clock()
    journal = open_journal(clock=clock, limits=JournalLimits(keep_s=86400.0, keep_raw_s=86400.0))
    journal.append([dispense(1)], evidence={dispense(1).id: bulk()})
    clock.s += 20 * 365 * 86400.0
    assert journal.tend().pruned.records == 0
    assert journal.evidence(dispense(1).id) is not None
    journal.close()
    assert open_journal(clock=clock, limits=JournalLimits(keep_s=86400.0)).tend().pruned.records == 0


def test_the_ballast_is_written_for_real_and_given_up_once(tmp_path: Path) -> None:
    ballast = Ballast(tmp_path, 300_000)
    assert not ballast.is_whole
    assert ballast.restore()
    assert ballast.path.stat().st_size == 300_000
    assert ballast.path.stat().st_blocks * 512 >= 300_000
    assert ballast.give_up()
    assert not ballast.give_up()


def test_a_disk_is_low_by_bytes_and_ratio_or_by_inodes() -> None:
    limits = JournalLimits(low_disk_ratio=0.2, low_disk_bytes=500)
    assert not Space(10_000, 600, None).is_low(limits)
    assert Space(10_000, 400, None).is_low(limits)
    assert not Space(1000, 300, None).is_low(limits)
    assert Space(1000, 150, None).is_low(limits)
    assert Space(10_000, 9000, 3).is_low(limits)


def test_limits_that_contradict_each_other_are_refused() -> None:
    with pytest.raises(ValueError, match="keep_bytes: at most quota_bytes"):
        JournalLimits(keep_bytes=10, quota_bytes=5)
    with pytest.raises(ValueError, match="keep_rows: at least 1"):
        JournalLimits(keep_rows=0)
