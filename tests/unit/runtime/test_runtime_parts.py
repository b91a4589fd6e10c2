"""The small parts of the runtime: canary, timetable, trouble, clock, service manager."""

from __future__ import annotations

import queue
import socket
import time
from pathlib import Path

import pytest

from agent.contract.plan import Cell, Gun, Plan, Scale, Shift
from agent.contract.topics import Topics
from agent.runtime import service_manager
from agent.runtime.canary import PATIENCE_S, Canary
from agent.runtime.clock import SystemClock
from agent.runtime.happenings import Chore, Happening
from agent.runtime.timetable import Timetable
from agent.runtime.trouble import Trouble


def plan(*shifts: Shift) -> Plan:
    cell = Cell("dock", (Scale("bench", 0.1, 5000.0),), (Gun("port", "bench"),), shifts=shifts)
    return Plan("edge", "yard", "Europe/Helsinki", (cell,), (), ())


def test_a_canary_that_comes_back_proves_that_we_are_heard() -> None:
    sent: list[tuple[str, bytes]] = []
    canary = Canary(Topics("yard"), "edge", lambda topic, song: sent.append((topic, song)) or 1)
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


def test_the_timetable_flies_a_canary_before_every_shift_check() -> None:
    inbox: queue.SimpleQueue[Happening] = queue.SimpleQueue()
    shifts = (
        Shift("early", (0, 1, 2, 3, 4), "06:00", 30.0, "hull"),
        # Lead and patience reach into the day before.
        Shift("night", (0,), "00:10", 30.0, "hull"),
    )
    timetable = Timetable(plan(*shifts), inbox)
    assert timetable.jobs() == ["backup", "canary dock early", "canary dock night", "housekeeping"]
    fields = {
        job.name: {field.name: str(field) for field in job.trigger.fields}
        for job in timetable._scheduler.get_jobs()
        if job.name.startswith("canary")
    }
    assert fields["canary dock early"]["hour"] == "5"
    assert fields["canary dock early"]["minute"] == "28"
    assert fields["canary dock early"]["day_of_week"] == "mon,tue,wed,thu,fri"
    assert fields["canary dock night"]["hour"] == "23"
    assert fields["canary dock night"]["day_of_week"] == "sun"


def test_the_timetable_puts_chores_into_the_inbox() -> None:
    inbox: queue.SimpleQueue[Happening] = queue.SimpleQueue()
    timetable = Timetable(plan(), inbox)
    timetable.start()
    try:
        (job,) = [job for job in timetable._scheduler.get_jobs() if job.name == "housekeeping"]
        job.func(*job.args)
        assert inbox.get_nowait() == Chore("housekeeping")
    finally:
        timetable.stop()


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
    down = trouble.happened("sink-down", "no answer")
    back = trouble.happened("sink-recovered", "it answers")
    assert down is not None
    assert back is not None
    assert (down.name, down.active) == ("sink-down", True)
    assert (back.name, back.active) == ("sink-down", False)
    once = trouble.happened("point-rejected", "row 7")
    assert once is not None
    assert once.active


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
