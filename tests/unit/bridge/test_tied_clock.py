"""Time stamps: durations are the monotonic clock's, whatever is done to the system's clock."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.clock import SLEW, TiedClock

NOON_S = 1_772_539_200.0


class Clocks:
    def __init__(self) -> None:
        self.up_s = 1000.0
        self.ahead_s = NOON_S

    def monotonic(self) -> float:
        return self.up_s

    def wall(self) -> float:
        return self.up_s + self.ahead_s


@pytest.fixture
def clocks() -> Clocks:
    return Clocks()


def test_begins_on_utc(clocks: Clocks) -> None:
    clock = TiedClock(clocks.monotonic, clocks.wall)
    assert clock.utc_s(1000.0) == pytest.approx(clocks.wall(), abs=1e-6)


@pytest.mark.parametrize("hours", [-2, 2])
def test_a_step_of_hours_leaves_durations_alone_until_it_is_taken(clocks: Clocks, hours: int) -> None:
    clock = TiedClock(clocks.monotonic, clocks.wall)
    first = clock.utc_s(clock.now_s())
    clocks.ahead_s += hours * 3600
    for _ in range(30):
        clocks.up_s += 1.0
        step = clock.retie()
        assert step is not None
        assert step.by_s == pytest.approx(hours * 3600)
    assert clock.utc_s(clock.now_s()) - first == pytest.approx(30.0, abs=1e-6)
    clock.take_step()
    assert clock.retie() is None
    assert clock.utc_s(clock.now_s()) == pytest.approx(clocks.wall(), abs=1e-6)


def test_a_small_difference_is_followed_slowly(clocks: Clocks) -> None:
    clock = TiedClock(clocks.monotonic, clocks.wall)
    clocks.ahead_s += 0.1
    begun = clock.utc_s(clock.now_s())
    for _ in range(100):
        clocks.up_s += 1.0
        clock.retie()
    took = clock.utc_s(clock.now_s()) - begun
    assert 100.0 < took <= 100.0 * (1 + SLEW) + 1e-6
    for _ in range(1000):
        clocks.up_s += 1.0
        clock.retie()
    assert clock.utc_s(clock.now_s()) == pytest.approx(clocks.wall(), abs=1e-6)


def test_a_clock_that_was_never_set_is_not_trusted(clocks: Clocks) -> None:
    clocks.ahead_s = 0.0
    assert not TiedClock(clocks.monotonic, clocks.wall).trusted()


@given(st.lists(st.tuples(st.floats(0, 5), st.floats(-1e5, 1e5)), max_size=30))
def test_never_backwards_and_never_bent(moves: list[tuple[float, float]]) -> None:
    clocks = Clocks()
    clock = TiedClock(clocks.monotonic, clocks.wall)
    begun = clock.now_s()
    first = last = clock.utc_s(begun)
    for passed, stepped in moves:
        clocks.up_s += passed
        clocks.ahead_s += stepped
        clock.retie()
        now = clock.utc_s(clock.now_s())
        assert now >= last
        last = now
    passed = clock.now_s() - begun
    assert last - first == pytest.approx(passed, rel=2 * SLEW, abs=1e-5)


def test_real_clocks_agree() -> None:
    import time

    clock = TiedClock()
    assert clock.utc_s(clock.now_s()) == pytest.approx(time.time(), abs=0.05)
