"""Which gun, check, setup and purpose a dispense gets."""

from __future__ import annotations

import pytest

from agent.detection.detector import Detector

T0 = 1_700_000_000.0


def test_dispenses_between_start_and_end_belong_to_the_check(paper, run):
    page = paper(lasts_s=130.0, guns=("upper", "lower"))
    page.tell("check_started", 10.0, gun="upper", setup="impeller")
    page.shot(15.0, 30.0)
    page.shot(40.0, 55.0)
    page.tell("check_ended", 60.0, gun="upper")
    page.tell("check_started", 61.0, gun="lower", setup="housing")
    page.shot(70.0, 85.0, gun="lower")
    page.shot(95.0, 110.0)
    windows = run(page).all
    assert [w.check_id for w in windows] == ["e1", "e1", "e7", None]
    assert [w.setup for w in windows] == ["impeller", "impeller", "housing", None]
    assert not any(w.setup_guessed for w in windows)


def test_a_check_that_starts_late_on_the_wire_still_holds_its_shots(paper, run):
    page = paper()
    page.tell("check_started", 10.0, gun="upper", setup="impeller", arrives_s=33.0)
    page.shot(15.0, 30.0)
    (window,) = run(page).all
    assert window.check_id == "e1"
    assert window.setup == "impeller"


def test_a_new_check_of_a_gun_ends_the_one_before(paper, run):
    page = paper(lasts_s=90.0)
    page.tell("check_started", 10.0, gun="upper", setup="impeller")
    page.shot(15.0, 30.0)
    page.tell("check_started", 42.0, gun="upper", setup="housing")
    page.shot(50.0, 65.0)
    assert [w.check_id for w in run(page).all] == ["e1", "e4"]


def test_a_check_whose_end_was_lost_ends_after_an_hour(paper, run):
    page = paper(lasts_s=60.0)
    page.tell("check_started", -3700.0, gun="upper", setup="impeller", arrives_s=0.0)
    page.tell("part_changed", 1.0, gun="upper", part="needle")
    page.shot(15.0, 30.0)
    (window,) = run(page).all
    assert window.check_id is None


def test_the_setup_is_the_events_own_before_all(paper, run):
    page = paper(shift_setups=("impeller",))
    page.tell("setup_loaded", 2.0, setup="housing")
    page.tell("check_started", 10.0, gun="upper", setup="housing")
    page.shot(15.0, 30.0, setup="impeller")
    (window,) = run(page).all
    assert (window.setup, window.setup_guessed) == ("impeller", False)


def test_the_setup_is_guessed_from_the_last_one_loaded(paper, run):
    page = paper(shift_setups=("impeller",))
    page.tell("setup_loaded", 2.0, setup="impeller")
    page.tell("setup_loaded", 5.0, setup="housing")
    page.shot(15.0, 30.0)
    page.tell("setup_loaded", 33.0, setup="impeller")
    (window,) = run(page).all
    assert (window.setup, window.setup_guessed) == ("housing", True)


def test_the_setup_is_guessed_from_the_only_one_of_the_shifts(paper, run):
    page = paper(shift_setups=("impeller", "impeller"))
    page.shot(15.0, 30.0)
    (window,) = run(page).all
    assert (window.setup, window.setup_guessed) == ("impeller", True)


@pytest.mark.parametrize("shift_setups", [(), ("impeller", "housing")])
def test_an_unknown_setup_is_not_invented(paper, run, shift_setups):
    page = paper(shift_setups=shift_setups)
    page.shot(15.0, 30.0)
    (window,) = run(page).all
    assert (window.setup, window.setup_guessed) == (None, False)


def check_without_purposes(paper, first_s, **more):
    page = paper(lasts_s=150.0, **more)
    page.tell("check_started", 10.0, gun="upper", setup="impeller")
    page.shot(15.0, 15.0 + first_s)
    page.shot(60.0, 80.0)
    page.shot(100.0, 120.0)
    return page


def test_the_first_of_a_check_is_the_bleed_where_its_length_says_so(paper, run):
    page = check_without_purposes(paper, 8.0, shot_s=20.0, bleed_s=8.0)
    assert [w.purpose for w in run(page).all] == ["bleed", "shot", "shot"]


def test_no_bleed_is_guessed_where_lengths_are_alike(paper, run):
    page = check_without_purposes(paper, 18.0, shot_s=20.0, bleed_s=18.0)
    assert [w.purpose for w in run(page).all] == ["shot", "shot", "shot"]


def test_no_bleed_is_guessed_where_the_setup_has_none(paper, run):
    page = check_without_purposes(paper, 8.0, shot_s=20.0)
    assert [w.purpose for w in run(page).all] == ["shot", "shot", "shot"]


def test_the_controllers_word_is_taken(paper, run):
    page = paper(lasts_s=100.0, shot_s=20.0, bleed_s=8.0)
    page.tell("check_started", 10.0, gun="upper", setup="impeller")
    page.shot(15.0, 23.0, purpose="shot")
    page.shot(50.0, 70.0, purpose="bleed")
    assert [w.purpose for w in run(page).all] == ["shot", "bleed"]


def in_a_row(page, lengths, gun="upper", *, told=True):
    """Dispenses of these lengths, a quarter of a minute apart."""
    at_s = 15.0
    for length in lengths:
        page.shot(at_s, at_s + length, gun=gun, opened=told, closed=told)
        at_s += length + 15.0
    page.lasts_s = at_s
    return page


SET = (8.0, 20.0, 20.0, 20.0)


def test_the_bleed_before_shots_that_no_check_was_told_of(paper, run):
    page = in_a_row(paper(shot_s=20.0, bleed_s=8.0, shift_setups=("impeller",)), SET)
    assert [w.purpose for w in run(page).all] == ["bleed", "shot", "shot", "shot"]


@pytest.mark.parametrize("guns", [("upper",), ("upper", "lower")])
def test_each_bleed_on_the_scale_alone_begins_a_set(paper, run, guns):
    members = {"shot_s": 20.0, "bleed_s": 8.0, "shift_setups": ("impeller",), "guns": guns}
    page = in_a_row(paper(has_controller=False, **members), (*SET, *SET), told=False)
    assert [w.purpose for w in run(page).all] == ["bleed", "shot", "shot", "shot"] * 2


def test_a_second_bleed_follows_the_first(paper, run):
    page = in_a_row(paper(shot_s=20.0, bleed_s=8.0, shift_setups=("impeller",)), (8.0, 8.0, 20.0))
    assert [w.purpose for w in run(page).all] == ["bleed", "bleed", "shot"]


def test_more_shots_than_the_setup_asks_for_begin_no_set_of_their_own(paper, run):
    page = in_a_row(paper(shot_s=20.0, bleed_s=8.0, shift_setups=("impeller",)), (*SET, 20.0, 20.0, 8.0))
    assert [w.purpose for w in run(page).all] == ["bleed", *["shot"] * 5, "bleed"]


@pytest.mark.parametrize("told", [True, False])
def test_a_shot_cut_short_among_its_like_is_no_bleed(paper, run, told):
    page = in_a_row(
        paper(shot_s=20.0, bleed_s=8.0, shift_setups=("impeller",)), (8.0, 20.0, 8.0, 20.0), told=told
    )
    assert [w.purpose for w in run(page).all] == ["bleed", "shot", "shot", "shot"]


def test_a_restart_within_a_set_makes_no_bleed_of_its_next_shot(paper, give):
    page = in_a_row(paper(shot_s=20.0, bleed_s=8.0, shift_setups=("impeller",)), (8.0, 20.0, 8.0))
    messages = page.messages()
    half = next(i for i, one in enumerate(messages) if one.arrived_s > T0 + 72.0)
    before = Detector(page.cell(), page.plan())
    assert [w.purpose for w in give(before, messages[:half])] == ["bleed", "shot"]
    after = Detector(page.cell(), page.plan())
    after.restore(before.snapshot())
    assert [w.purpose for w in [*give(after, messages[half:]), *after.finish()]] == ["shot"]


def test_the_only_gun_is_meant_where_an_event_names_none(paper, run):
    page = paper()
    page.tell("gun_opened", 15.0)
    page.tell("gun_closed", 30.0)
    page.flows.append(("floor", 15.05, 30.05, 1.6))
    (window,) = run(page).all
    assert window.gun == "upper"
    assert "unattributed" not in window.notes


def test_a_gun_of_two_that_is_not_named_is_not_guessed(paper, run):
    page = paper(guns=("upper", "lower"))
    page.tell("gun_opened", 15.0)
    page.tell("gun_closed", 30.0)
    page.flows.append(("floor", 15.05, 30.05, 1.6))
    (window,) = run(page).all
    assert window.gun is None
    assert "unattributed" in window.notes
    assert window.open_s == pytest.approx(15.0)


def test_an_unknown_gun_is_looked_for_on_every_scale(paper, run):
    page = paper(guns=("upper", "lower"), scales=("left", "right"))
    page.shot(15.0, 30.0, gun="middle", g_per_s=0.0)
    page.flows.append(("right", 15.05, 30.05, 1.6))
    (window,) = run(page).all
    assert window.scale == "right"
    assert window.gun is None
    assert window.open_s == pytest.approx(15.0)


def test_the_scale_an_event_names_is_meant(paper, run):
    page = paper(guns=("upper", "lower"), scales=("left", "right"))
    page.shot(15.0, 30.0, gun="upper", g_per_s=0.0, scale="right")
    page.flows.append(("right", 15.05, 30.05, 1.6))
    (window,) = run(page).all
    assert (window.scale, window.gun) == ("right", "upper")
