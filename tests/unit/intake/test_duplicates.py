"""Events and readings seen before."""

from __future__ import annotations

from dataclasses import replace

from agent.contract.inputs import ScaleReading
from agent.intake.duplicates import READINGS, Repeats, Seen


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


def reading(seq: int | None, t_s: float, mass_g: float | None = 350.0, scale: str = "floor") -> ScaleReading:
    return ScaleReading("west", scale, t_s, t_s + 0.02, mass_g, seq=seq, overload=mass_g is None)


def test_a_reading_that_comes_again_is_known_however_late() -> None:
    repeats = Repeats()
    came = [reading(n, 0.1 * n, None if n % 50 == 0 else 350.0) for n in range(5000)]
    assert not any(repeats.is_repeated(one) for one in came)
    assert all(repeats.is_repeated(replace(one, arrived_s=one.arrived_s + 3600.0)) for one in came)
    assert repeats.repeated == len(came)


def test_another_number_time_mass_or_scale_is_another_reading() -> None:
    repeats = Repeats()
    repeats.is_repeated(reading(7, 100.0))
    others = [reading(8, 100.0), reading(7, 101.0), reading(7, 101.0, 350.1), reading(7, 101.0, scale="wall")]
    assert not any(repeats.is_repeated(one) for one in others)


def test_without_number_or_time_nothing_is_known_and_nothing_left_out() -> None:
    repeats = Repeats()
    for one in (reading(None, 100.0), replace(reading(7, 100.0), from_arrival=True)):
        assert not repeats.is_repeated(one)
        assert not repeats.is_repeated(one)


def test_the_memory_for_readings_is_bounded() -> None:
    repeats = Repeats()
    for n in range(READINGS + 1):
        repeats.is_repeated(reading(n, 0.1 * n))
    assert repeats.is_repeated(reading(READINGS, 0.1 * READINGS))
    assert not repeats.is_repeated(reading(0, 0.0))
    assert sum(len(marks) for marks in repeats._scales.values()) == READINGS
