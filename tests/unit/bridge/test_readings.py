"""Readings: when a line came, its number in the sequence, and what becomes of the clock's steps."""

import json
import math

import pytest

from agent.bridge.readings import QUIET_S, Readings
from agent.clock import TiedClock
from agent.settings.serial_line import SerialLine

NOON_S = 1_772_539_200.0
GOOD = b"+   12.34\r\n"


class Clocks:
    def __init__(self) -> None:
        self.up_s = 1000.0
        self.ahead_s = NOON_S - 1000.0

    def monotonic(self) -> float:
        return self.up_s

    def wall(self) -> float:
        return self.up_s + self.ahead_s


@pytest.fixture
def clocks() -> Clocks:
    return Clocks()


@pytest.fixture
def readings(clocks: Clocks) -> Readings:
    readings = Readings(
        SerialLine(port="/dev/ttyS0", baud=1200, profile="number-only"),
        TiedClock(clocks.monotonic, clocks.wall),
    )
    readings.opened()
    list(readings.feed(b"\r\n", 1000.0))
    return readings


def test_the_payload_is_the_contracts(readings: Readings) -> None:
    (reading,) = readings.feed(GOOD, 1000.5)
    assert json.loads(reading.payload()) == {"value": 12.34, "unit": "g", "t": NOON_S + 0.5, "seq": 0}


def test_an_overload_is_no_number(readings: Readings) -> None:
    (reading,) = readings.feed(b"---------\r\n", 1000.5)
    body = json.loads(reading.payload())
    assert body["value"] is None
    assert body["overload"] is True


def test_lines_that_came_in_one_read_are_stamped_apart(readings: Readings) -> None:
    """Two lines of 11 characters at 1200 baud, 8N1: the second ends 11 x 10 / 1200 s after the first."""
    first, second = readings.feed(GOOD + GOOD, 1002.0)
    assert second.t_s == pytest.approx(NOON_S + 2.0, abs=1e-6)
    assert first.t_s is not None
    assert second.t_s is not None
    assert second.t_s - first.t_s == pytest.approx(11 * 10 / 1200, abs=1e-6)


def test_no_line_is_stamped_before_the_read_that_came_before(readings: Readings) -> None:
    list(readings.feed(b"+   1", 1000.99))
    first, _second = readings.feed(b"2.34\r\n" + GOOD, 1001.0)
    assert first.t_s == pytest.approx(NOON_S + 0.99, abs=1e-6)


def test_a_line_that_was_not_read_leaves_a_gap(readings: Readings) -> None:
    got = [reading.seq for reading in readings.feed(GOOD + b"+   1\r\n" + GOOD, 1000.5)]
    assert got == [0, 2]
    assert readings.faults == {"no_match": 1}


def test_replugging_leaves_a_gap_and_drops_the_first_piece(readings: Readings) -> None:
    list(readings.feed(GOOD + b"+  1", 1000.5))
    readings.closed()
    readings.opened()
    (reading,) = readings.feed(b"   12.34\r\n" + GOOD, 1007.0)
    assert reading.seq > 1
    assert readings.faults == {"half_line": 1}


def test_a_line_that_stalls_is_dropped_with_its_late_rest(readings: Readings) -> None:
    assert list(readings.feed(b"+   12", 1000.5)) == []
    assert list(readings.feed(b".34\r\n", 1003.0)) == []
    assert readings.faults == {"half_line": 1}
    assert len(list(readings.feed(GOOD, 1003.1))) == 1


@pytest.mark.parametrize("hours", [-3, 3])
def test_a_step_waits_until_the_scale_rests(clocks: Clocks, readings: Readings, hours: int) -> None:
    stamps = []
    clocks.ahead_s += hours * 3600
    for tenth in range(600):
        clocks.up_s = 1000.0 + tenth / 10
        mass = min(tenth, 300) / 10  # rising for 30 s, then at rest
        stamps += [r.t_s or math.nan for r in readings.feed(f"+{mass:8.2f}\r\n".encode(), clocks.up_s)]
        readings.retie()
        if clocks.up_s < 1030.0 + QUIET_S:
            assert stamps[-1] - stamps[0] == pytest.approx(tenth / 10, rel=1e-3, abs=1e-3)
    assert stamps[-1] == pytest.approx(clocks.wall(), abs=0.01)


def test_a_clock_that_was_never_set_gives_no_time(clocks: Clocks) -> None:
    clocks.ahead_s = 0.0
    readings = Readings(
        SerialLine(port="/dev/ttyS0", profile="number-only"), TiedClock(clocks.monotonic, clocks.wall)
    )
    readings.opened()
    (reading,) = readings.feed(b"\r\n" + GOOD, 1000.5)
    assert "t" not in json.loads(reading.payload())
    clocks.ahead_s = NOON_S
    readings.retie()
    clocks.up_s = 1001.0
    (reading,) = readings.feed(GOOD, 1001.0)
    assert reading.t_s == pytest.approx(NOON_S + 1001.0)
