"""What shots of different length teach of a gun's timing, and what must not teach it."""

from __future__ import annotations

from dataclasses import replace

import pytest
from drawn_windows import OPENED_S, around, drawn

from agent.contract.inputs import ControllerEvent, EventName
from agent.flow.known import Known
from agent.flow.measuring import measure
from agent.pipeline.lessons import Lessons

LENGTHS = (8.0, 24.0) * 4


def event(name: EventName, at_s: float, setting: float | None = None) -> ControllerEvent:
    return ControllerEvent("north", name, at_s, at_s, f"{name}-{at_s}", gun="upper", setting=setting)


def shoot(lessons: Lessons, open_s: float, number: int, longer_s: float = 0.2, **members: object) -> None:
    """A shot that runs a little longer than was commanded, sprayed at minute `number`."""
    played = drawn(open_s=open_s + longer_s, seed=number, **members)  # type: ignore[arg-type]
    window = replace(played, open_s=open_s, closed_s=OPENED_S + open_s)
    surroundings = around()
    measured = measure(window, surroundings)
    assert measured.quality == "good", measured.flags
    lessons.learn(window, measured, lessons.group(window, 60.0 * number))


def error(lessons: Lessons) -> Known | None:
    return lessons.of("upper", "floor").lengths.significant_error()


def test_several_bursts_and_long_shots_show_what_opening_and_closing_cost() -> None:
    lessons = Lessons()
    for number, open_s in enumerate(LENGTHS):
        shoot(lessons, open_s, number)
    found = error(lessons)
    assert found is not None
    assert found.value == pytest.approx(0.2, abs=3.0 * found.u)
    assert found.u < 0.05
    assert lessons.of("lower", "floor").lengths.error() is None


def test_after_a_drip_nothing_is_learned_of_the_closing() -> None:
    """The pipeline takes good shots in: one that drips is suspect. What drips unseen is 0.5 % at most."""
    assert measure(drawn(open_s=8.0, drip_g=0.4), around()).quality == "suspect"
    wet, dry = Lessons(), Lessons()
    for number, open_s in enumerate(LENGTHS):
        shoot(wet, open_s, number, drip_g=0.06, noise_g=0.004, resolution_g=0.01)
        shoot(dry, open_s, number, noise_g=0.004, resolution_g=0.01)
    found, without = wet.of("upper", "floor").lengths.error(), dry.of("upper", "floor").lengths.error()
    assert found is not None
    assert without is not None
    assert found.value - without.value == pytest.approx(0.06 / 2.0, abs=0.01)


def test_a_scale_that_shows_too_much_makes_no_timing_less_certain() -> None:
    """Its error is one factor of all masses: it changes the flow, and not the ratio of grams and seconds."""
    window = drawn(open_s=8.0)
    doubtful = around(scale=replace(around().scale, u_calibration_rel=0.05))
    lessons = Lessons()
    lessons.learn(window, measure(window, doubtful), "primer")
    plain = Lessons()
    plain.learn(window, measure(window, around()), "primer")
    (shot,) = lessons.of("upper", "floor").lengths.shots
    assert shot.u_mass_g == pytest.approx(plain.of("upper", "floor").lengths.shots[0].u_mass_g)
    assert shot.u_mass_g < 0.01 * shot.mass_g


def test_a_bleed_is_not_compared_with_shots() -> None:
    """The bleed clears air: it gives 2 % less, which would pass for 0.2 s."""
    lessons = Lessons()
    for number in range(4):
        shoot(lessons, 8.0, number, longer_s=0.0, flow=1.96, purpose="bleed")
        shoot(lessons, 24.0, number, longer_s=0.0)
    assert lessons.of("upper", "floor").lengths.error() is None


def test_a_shot_counts_for_the_setting_that_it_was_sprayed_with() -> None:
    """The knob is turned by 4 % while the last shot before it still awaits its plateau."""
    lessons = Lessons()
    lessons.told(event("needle_set", 0.0, 2.0))
    for number, open_s in enumerate(LENGTHS[:-1], 1):
        shoot(lessons, open_s, number, longer_s=0.0)
    lessons.told(event("needle_set", 60.0 * 8 + 30.0, 2.2))
    shoot(lessons, 24.0, 8, longer_s=0.0)
    for number, open_s in enumerate(LENGTHS, 9):
        shoot(lessons, open_s, number, longer_s=0.0, flow=2.08)
    assert {shot.group for shot in lessons.of("upper", "floor").lengths.shots} == {
        "primer/2.0/60",
        "primer/2.2/60",
    }
    found = lessons.of("upper", "floor").lengths.error()
    assert found is not None
    assert abs(found.value) < 3.0 * found.u < 0.15


def test_what_changed_from_one_day_to_the_next_is_no_timing() -> None:
    """Long shots on one day, bursts on another when the pot gives 1.5 % more: that would pass for 0.1 s."""
    lessons = Lessons()
    for number in range(4):
        shoot(lessons, 24.0, number, longer_s=0.0)
    for number in range(1440, 1444):
        shoot(lessons, 8.0, number, longer_s=0.0, flow=2.03)
    assert lessons.of("upper", "floor").lengths.error() is None


def test_a_turn_to_a_setting_that_was_not_told_begins_a_group_as_well() -> None:
    lessons = Lessons()
    shoot(lessons, 8.0, 1)
    lessons.told(event("needle_set", 90.0))
    shoot(lessons, 24.0, 2)
    assert lessons.of("upper", "floor").lengths.error() is None


def test_a_new_part_has_a_timing_of_its_own() -> None:
    lessons = Lessons()
    for number, open_s in enumerate(LENGTHS):
        shoot(lessons, open_s, number)
    lessons.told(event("part_changed", 600.0))
    assert lessons.of("upper", "floor").lengths.error() is None
    # Sprayed before the change, measured after it.
    shoot(lessons, 8.0, 9)
    assert lessons.of("upper", "floor").lengths.shots == ()
    shoot(lessons, 8.0, 11)
    assert len(lessons.of("upper", "floor").lengths.shots) == 1


def test_it_is_taken_up_again_after_a_restart() -> None:
    before = Lessons()
    told = [event("needle_set", 90.0, 2.5), event("needle_set", 30.0, 2.0), event("part_changed", 20.0)]
    for number, open_s in enumerate(LENGTHS[:4], 1):
        shoot(before, open_s, number)
    after = Lessons()
    after.restore(before.kept(), told)
    assert after.of("upper", "floor").lengths == before.of("upper", "floor").lengths
    assert after.group(drawn(), 60.0) == "primer/2.0/60"
    assert after.group(drawn(), 100.0) == "primer/2.5/60"
    assert after.group(drawn(), 10.0) is None


def test_an_old_word_that_the_broker_kept_changes_nothing() -> None:
    lessons = Lessons()
    for number, open_s in enumerate(LENGTHS[:4]):
        shoot(lessons, open_s, number)
    lessons.told(replace(event("part_changed", 600.0), retained=True))
    assert len(lessons.of("upper", "floor").lengths.shots) == 4
