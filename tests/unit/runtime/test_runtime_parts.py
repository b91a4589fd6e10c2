"""The small parts of the runtime: canary, timetable, trouble, clock, service manager."""

from __future__ import annotations

import math
import socket
import threading
import time
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from agent.contract.plan import Cell, Gun, Plan, Scale, Shift
from agent.contract.topics import Topics
from agent.runtime import service_manager
from agent.runtime.bell import Bell
from agent.runtime.canary import PATIENCE_S, Canary
from agent.runtime.clock import SystemClock
from agent.runtime.timetable import Timetable
from agent.runtime.trouble import Trouble


def plan(*shifts: Shift) -> Plan:
    cell = Cell("dock", (Scale("bench", 0.1, 5000.0),), (Gun("port", "bench"),), shifts=shifts)
    return Plan("edge", "yard", "Europe/Helsinki", (cell,), (), ())


def test_a_canary_that_comes_back_proves_that_we_are_heard() -> None:
    sent: list[tuple[str, bytes]] = []

    def publish(topic: str, song: bytes) -> int:
        sent.append((topic, song))
        return len(sent)

    canary = Canary(Topics("yard"), "edge", publish)
    canary.send(100.0)
    topic, song = sent[0]
    assert topic == "yard/agent/edge/canary"
    assert canary.heard("yard/dock/reply", b"x") is None
    assert canary.heard(topic, b"somebody else's") is False
    assert canary.heard(topic, song) is True
    assert not canary.overdue(100.0 + 2 * PATIENCE_S)


def test_a_canary_that_does_not_come_back_is_told_once() -> None:
    canary = Canary(Topics("yard"), "edge", lambda _topic, _song: 1)
    canary.send(100.0)
    assert not canary.overdue(100.0 + PATIENCE_S / 2)
    assert canary.overdue(100.0 + PATIENCE_S)
    assert not canary.overdue(100.0 + PATIENCE_S + 1)


def test_a_canary_with_no_line_proves_nothing() -> None:
    canary = Canary(Topics("yard"), "edge", lambda _topic, _song: None)
    canary.send(100.0)
    assert not canary.overdue(1000.0)


EARLY = Shift("early", (0, 1, 2, 3, 4), "06:00", 30.0, "hull")
NIGHT = Shift("night", (0,), "00:10", 30.0, "hull")
SUNDAY = datetime(2026, 3, 15, 12, tzinfo=ZoneInfo("Europe/Helsinki")).timestamp()


def chores(timetable: Timetable, from_s: float, to_s: float, every_s: float = 1.0) -> list[tuple[str, str]]:
    """Asked every second: which chores came, each with its local time."""
    found: list[tuple[str, str]] = []
    for n in range(int((to_s - from_s) / every_s) + 1):
        now_s = from_s + n * every_s
        local = datetime.fromtimestamp(now_s, ZoneInfo("Europe/Helsinki")).strftime("%a %H:%M:%S")
        # Monotonic time stands still here, so that no housekeeping comes in between.
        found += [(chore.what, local) for chore in timetable.due(now_s, 0.0)]
    return found


def test_a_canary_flies_before_every_shift_check_and_a_backup_is_made_at_night() -> None:
    # Lead and patience of the night shift reach into the day before.
    found = chores(Timetable(plan(EARLY, NIGHT), 0.0), SUNDAY, SUNDAY + 24 * 3600.0)
    assert found == [("canary", "Sun 23:38:00"), ("backup", "Mon 03:00:00"), ("canary", "Mon 05:28:00")]


@pytest.mark.parametrize(
    ("day", "length_h"),
    # Directive 2000/84/EC: summer time begins and ends on the last Sundays of March and October, 01:00 UTC.
    [("2026-03-29", 23), ("2026-10-25", 25)],
)
@pytest.mark.parametrize("starts", ["00:40", "02:00", "03:30", "06:00"])
def test_one_canary_and_one_backup_on_the_days_when_the_clocks_change(
    day: str, length_h: int, starts: str
) -> None:
    shift = Shift("any", tuple(range(7)), starts, 30.0, "hull")
    midnight = datetime.fromisoformat(day).replace(tzinfo=ZoneInfo("Europe/Helsinki")).timestamp()
    timetable = Timetable(plan(shift), 0.0)
    found = [what for what, _ in chores(timetable, midnight, midnight + length_h * 3600.0 - 1.0, 5.0)]
    assert sorted(found) == ["backup", "canary"]


def test_a_clock_that_jumps_neither_silences_chores_nor_brings_years_of_them() -> None:
    timetable = Timetable(plan(EARLY), 0.0)
    assert [chore.what for chore in timetable.due(10.0, 5.0)] == ["housekeeping"]
    assert list(timetable.due(SUNDAY, 6.0)) == []  # 56 years forwards
    assert list(timetable.due(SUNDAY + 7200.0, 7.0)) == []
    assert list(timetable.due(SUNDAY, 8.0)) == []  # two hours back
    assert [chore.what for chore in timetable.due(SUNDAY + 1.0, 65.0)] == ["housekeeping"]
    assert math.isclose(timetable.next_canary_s(SUNDAY), SUNDAY + 17 * 3600.0 + 28 * 60.0)


def test_lasting_trouble_is_told_when_it_begins_and_when_it_ends() -> None:
    trouble = Trouble()
    begins = trouble.lasting("broker-lost", True, "no answer")
    assert begins is not None
    assert begins.active
    assert trouble.lasting("broker-lost", True, "still none") is None
    assert trouble.holding() == ["broker-lost"]
    ends = trouble.lasting("broker-lost", False)
    assert ends is not None
    assert not ends.active
    assert trouble.holding() == []


def test_reports_of_an_outlet_raise_and_end_the_same_alarm() -> None:
    trouble = Trouble()
    (down,) = trouble.happened("sink-down", "no answer", 0.0)
    assert trouble.happened("sink-down", "still none", 1.0) == []
    (refused,) = trouble.happened("sink-auth", "no token", 2.0)
    back = trouble.happened("sink-recovered", "it answers", 3.0)
    assert (down.name, down.active) == ("sink-down", True)
    assert (refused.name, refused.active) == ("sink-auth", True)
    assert [(fault.name, fault.active) for fault in back] == [("sink-down", False), ("sink-auth", False)]
    (once,) = trouble.happened("point-rejected", "row 7", 4.0)
    assert once.active


def test_a_slow_disk_is_over_when_nothing_was_slow_for_a_while() -> None:
    trouble = Trouble()
    (slow,) = trouble.happened("journal-slow", "2 s", 10.0)
    assert slow.active
    assert trouble.happened("journal-slow", "3 s", 50.0) == []
    assert trouble.passed(80.0) == []
    (over,) = trouble.passed(111.0)
    assert (over.name, over.active) == ("journal-slow", False)
    assert trouble.passed(300.0) == []


def test_a_full_disk_that_an_append_met_is_ended_by_housekeeping() -> None:
    trouble = Trouble()
    (full,) = trouble.happened("disk-full", "full", 0.0)
    assert full.active
    (over,) = trouble.housekeeping({})
    assert (over.name, over.active) == ("disk-full", False)


def test_housekeeping_tells_only_what_changed() -> None:
    trouble = Trouble()
    (first,) = trouble.housekeeping({"disk-filling": "5 % left"})
    assert (first.name, first.active) == ("disk-filling", True)
    assert trouble.housekeeping({"disk-filling": "4 % left"}) == []
    (over,) = trouble.housekeeping({})
    assert not over.active


def test_a_step_of_the_wall_clock_waits_until_nothing_is_measured(monkeypatch: pytest.MonkeyPatch) -> None:
    clock = SystemClock()
    real = time.time
    monkeypatch.setattr(clock._tied, "_wall", lambda: real() + 7200.0)
    assert clock.retie(quiet=False) is None
    assert abs(clock.now_s() - real()) < 0.1
    step = clock.retie(quiet=True)
    assert step is not None
    assert step.by_s == pytest.approx(7200.0, abs=0.1)
    assert abs(clock.now_s() - real() - 7200.0) < 0.1


def test_the_service_manager_hears_us(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        address = tmp_path / "notify"
        manager.bind(str(address))
        monkeypatch.setenv("NOTIFY_SOCKET", str(address))
        assert service_manager.tell("READY=1")
        assert manager.recv(100) == b"READY=1"
    monkeypatch.delenv("NOTIFY_SOCKET")
    assert not service_manager.tell("READY=1")
    monkeypatch.setenv("WATCHDOG_USEC", "30000000")
    assert service_manager.watchdog_period_s() == 15.0


def test_the_bell_rings_before_every_shift_check_in_the_sites_zone() -> None:
    shifts = (
        Shift("early", (0, 1, 2, 3, 4), "06:00", 30.0, "hull"),
        # Lead and room for the canary reach into the day before.
        Shift("night", (0,), "00:10", 30.0, "hull"),
    )
    moments = Bell(plan(*shifts), lambda: None).moments()
    assert moments["before early in dock"] == "cron[day_of_week='mon,tue,wed,thu,fri', hour='5', minute='28']"
    assert moments["before night in dock"] == "cron[day_of_week='sun', hour='23', minute='38']"
    assert "hour='3'" in moments["backup"]


def test_the_bell_starts_rings_and_stops() -> None:
    rung = threading.Event()
    bell = Bell(plan(), rung.set)
    bell.start()
    try:
        bell._scheduler.modify_job(bell._scheduler.get_jobs()[0].id, next_run_time=datetime.now(UTC))
        assert rung.wait(5.0)
    finally:
        bell.stop()
