"""Events seen before."""

from __future__ import annotations

from agent.intake.duplicates import Seen


def test_the_second_time_is_not_the_first() -> None:
    seen = Seen()
    assert seen.first_time("west", "a") is True
    assert seen.first_time("west", "a") is False
    assert seen.first_time("east", "a") is True


def test_memory_is_bounded_and_a_cell_keeps_its_own() -> None:
    seen = Seen(remembered=3)
    assert seen.first_time("quiet", "q")
    for number in range(100):
        assert seen.first_time("chatty", str(number))
    assert not seen.first_time("quiet", "q")
    assert not seen.first_time("chatty", "99")
    assert not seen.first_time("chatty", "97")
    assert seen.first_time("chatty", "0")


def test_an_id_that_keeps_coming_is_kept() -> None:
    seen = Seen(remembered=3)
    seen.first_time("west", "again")
    for number in range(20):
        seen.first_time("west", str(number))
        assert not seen.first_time("west", "again")
