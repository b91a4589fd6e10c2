"""Dispenses that a controller tells of, with what networks and controllers do to its word."""

from __future__ import annotations

from itertools import pairwise

import pytest

T0 = 1_700_000_000.0


def test_one_shot_is_found_with_its_plateaus(paper, run, grams):
    page = paper(lasts_s=60.0)
    page.shot(20.0, 40.0, purpose="shot", setup="impeller")
    played = run(page)
    (window,) = played.windows
    assert played.at_finish == []
    assert window.gun == "upper"
    assert window.scale == "floor"
    assert window.setup == "impeller"
    assert not window.setup_guessed
    assert window.purpose == "shot"
    assert window.open_s == pytest.approx(20.0, abs=1e-6)
    assert window.opened_s == pytest.approx(T0 + 20.0, abs=0.05)
    assert window.closed_s == pytest.approx(T0 + 40.0, abs=0.05)
    assert window.origin == "e1"
    assert window.notes == frozenset()
    assert grams(window) == pytest.approx(32.0, abs=0.05)
    # 15 s of plateau before, ten after: then the answer is due.
    assert window.t_s[0] == pytest.approx(T0 + 5.0, abs=0.2)
    assert T0 + 50.0 < window.ended_s < T0 + 51.5
    assert (window.t_s[1:] > window.t_s[:-1]).all()


def test_an_event_that_comes_twice_is_one_dispense(paper, run):
    page = paper()
    page.shot(20.0, 40.0)
    for _, told in list(page.events):
        page.events.append((told.arrived_s - T0 + 5.0, told))
    assert len(run(page).all) == 1


def test_events_out_of_order(paper, run):
    page = paper()
    page.flows.append(("floor", 20.05, 40.05, 1.6))
    page.tell("gun_opened", 20.0, gun="upper", arrives_s=41.5)
    page.tell("gun_closed", 40.0, gun="upper")
    (window,) = run(page).all
    assert window.open_s == pytest.approx(20.0)
    assert window.opened_s == pytest.approx(T0 + 20.0, abs=0.1)


@pytest.mark.parametrize("late_s", [2.0, 8.0, 14.0])
def test_both_events_late(paper, run, late_s):
    page = paper(lasts_s=90.0)
    page.shot(20.0, 40.0, late_s=late_s)
    (window,) = run(page).all
    assert window.open_s == pytest.approx(20.0)
    # The first message a clock is known by is late: the curve puts it right.
    assert window.opened_s == pytest.approx(T0 + 20.0, abs=0.6)


def test_an_event_later_than_the_curve_waits_makes_no_second_dispense(paper, run):
    page = paper(lasts_s=120.0)
    page.shot(20.0, 40.0, late_s=45.0)
    played = run(page)
    (window,) = played.all
    assert window.open_s is None
    assert played.detector.belated >= 1


def test_a_lost_closing_is_seen_in_the_curve(paper, run, grams):
    page = paper(lasts_s=110.0)
    page.shot(20.0, 40.0, closed=False, setup="impeller")
    played = run(page)
    (window,) = played.windows
    assert window.open_s is None
    assert window.gun == "upper"
    assert window.closed_s == pytest.approx(T0 + 40.0, abs=0.5)
    assert grams(window) == pytest.approx(32.0, abs=0.1)


def test_a_lost_closing_is_known_by_the_next_opening(paper, run):
    page = paper(lasts_s=100.0)
    page.shot(20.0, 40.0, closed=False)
    page.shot(52.0, 72.0)
    first, second = run(page).all
    assert first.open_s is None
    assert first.closed_s == pytest.approx(T0 + 40.0, abs=0.5)
    assert second.open_s == pytest.approx(20.0)


def test_a_lost_opening_is_seen_in_the_curve(paper, run, grams):
    page = paper(lasts_s=70.0)
    page.shot(20.0, 40.0, opened=False)
    (window,) = run(page).windows
    assert window.gun == "upper"
    assert window.open_s is None
    assert window.opened_s == pytest.approx(T0 + 20.0, abs=0.5)
    assert window.origin == "closed:e1"
    assert grams(window) == pytest.approx(32.0, abs=0.1)


@pytest.mark.parametrize("before_s", [3.0, 12.0, 23.0])
def test_a_gun_whose_closing_was_lost_is_not_given_another_guns_shot(paper, run, before_s):
    page = paper(lasts_s=130.0, guns=("upper", "lower"))
    page.tell("gun_opened", 25.0 - before_s, gun="lower", purpose="shot", setup="impeller")
    for from_s in (25.0, 75.0):
        page.shot(from_s, from_s + 20.0, purpose="shot", setup="impeller")
    played = run(page)
    assert [(window.gun, window.open_s) for window in played.all] == [
        ("upper", pytest.approx(20.0)),
        ("upper", pytest.approx(20.0)),
    ]


@pytest.mark.parametrize("ahead_s", [-7200.0, -3.0, 0.4, 5.0, 86_400.0])
def test_a_controller_whose_clock_is_off(paper, run, ahead_s):
    page = paper(controller_ahead_s=ahead_s)
    page.shot(20.0, 40.0)
    (window,) = run(page).windows
    assert window.open_s == pytest.approx(20.0, abs=1e-6)
    assert window.opened_s == pytest.approx(T0 + 20.0, abs=0.1)


@pytest.mark.parametrize("ahead_s", [-7200.0, -3.0, 5.0, 86_400.0])
def test_times_stand_on_the_scales_clock(paper, run, ahead_s):
    page = paper(scale_ahead_s=ahead_s)
    page.shot(20.0, 40.0)
    (window,) = run(page).windows
    assert window.opened_s == pytest.approx(T0 + 20.0 + ahead_s, abs=0.1)


def test_a_controller_clock_set_in_the_middle_of_a_shot(paper, run):
    page = paper()
    page.flows.append(("floor", 20.05, 40.05, 1.6))
    page.tell("gun_opened", 20.0, gun="upper")
    page.tell("gun_closed", 40.0, gun="upper", t_s=T0 + 40.0 + 7200.0)
    (window,) = run(page).all
    assert window.open_s == pytest.approx(20.0, abs=0.1)
    assert "clock_from_arrival" in window.notes


def test_events_without_a_clock_of_their_own(paper, run):
    page = paper()
    page.shot(20.0, 40.0, from_arrival=True)
    (window,) = run(page).windows
    assert "clock_from_arrival" in window.notes
    assert window.open_s == pytest.approx(20.0, abs=0.1)


def test_a_scale_without_a_clock_of_its_own(paper, run):
    page = paper(scale_has_clock=False)
    page.shot(20.0, 40.0)
    (window,) = run(page).windows
    assert "clock_from_arrival" in window.notes


def test_retained_events_are_stale(paper, run):
    page = paper()
    page.tell("gun_opened", 5.0, gun="upper", retained=True)
    page.tell("gun_closed", 15.0, gun="upper", retained=True)
    assert run(page).all == []


def test_a_plugged_gun_is_told(paper, run, grams):
    page = paper()
    page.shot(20.0, 40.0, g_per_s=0.0, purpose="shot")
    (window,) = run(page).windows
    assert window.open_s == pytest.approx(20.0)
    assert abs(grams(window)) < 0.1


def test_a_gun_that_sprays_parts_is_no_dispense(paper, run):
    page = paper()
    page.shot(20.0, 40.0, g_per_s=0.0, purpose="job")
    assert run(page).all == []


def test_a_job_whose_mass_arrives_is_one(paper, run):
    page = paper()
    page.shot(20.0, 40.0, purpose="job")
    (window,) = run(page).windows
    assert window.purpose == "job"


@pytest.mark.parametrize("break_s", [2.0, 3.0, 8.0])
def test_shots_close_to_each_other(paper, run, break_s):
    page = paper(lasts_s=90.0)
    begins = [15.0 + i * (8.0 + break_s) for i in range(4)]
    for begin in begins:
        page.shot(begin, begin + 8.0)
    windows = run(page).windows
    assert [w.opened_s - T0 for w in windows] == pytest.approx(begins, abs=0.1)
    for one, following in pairwise(windows):
        assert one.t_s[-1] <= following.opened_s + 0.05
        assert following.t_s[0] > one.closed_s


@pytest.mark.parametrize("length_s", [1.0, 2.0, 4.0])
@pytest.mark.parametrize("rate_hz", [2.0, 10.0, 50.0])
def test_short_dispenses_with_a_controller(paper, run, length_s, rate_hz):
    page = paper(rate_hz=rate_hz, lasts_s=45.0)
    page.shot(20.0, 20.0 + length_s)
    (window,) = run(page).windows
    assert window.open_s == pytest.approx(length_s)
    assert not window.notes & {"container_moved", "no_plateau_before", "no_plateau_after"}


def test_two_guns_at_once_on_one_scale_are_not_told_apart(paper, run):
    page = paper(guns=("upper", "lower"))
    page.shot(20.0, 40.0)
    page.shot(25.0, 42.0, gun="lower")
    (window,) = run(page).windows
    assert window.gun is None
    assert "unattributed" in window.notes


def test_two_guns_after_each_other_on_one_scale(paper, run):
    page = paper(guns=("upper", "lower"), lasts_s=90.0)
    page.shot(20.0, 40.0)
    page.shot(48.0, 68.0, gun="lower", g_per_s=1.2)
    upper, lower = run(page).windows
    assert (upper.gun, lower.gun) == ("upper", "lower")


def test_two_guns_at_once_on_a_scale_each(paper, run, grams):
    page = paper(guns=("upper", "lower"), scales=("left", "right"))
    page.shot(20.0, 40.0)
    page.shot(22.0, 42.0, gun="lower", g_per_s=1.2)
    windows = {window.gun: window for window in run(page).windows}
    assert grams(windows["upper"]) == pytest.approx(32.0, abs=0.1)
    assert grams(windows["lower"]) == pytest.approx(24.0, abs=0.1)
    assert windows["lower"].scale == "right"


def test_a_gun_that_the_cell_has_not(paper, run):
    page = paper()
    page.shot(20.0, 40.0, gun="middle")
    (window,) = run(page).all
    assert window.gun is None
    assert "unattributed" in window.notes
    assert window.open_s == pytest.approx(20.0)


def test_a_scale_that_falls_silent_leaves_a_dispense_not_measured(paper, run):
    page = paper(lasts_s=10.0)
    page.shot(20.0, 40.0, g_per_s=0.0, purpose="shot")
    played = run(page)
    assert played.windows == []
    (window,) = played.at_finish
    assert window.notes >= {"readings_missing", "no_plateau_after"}
    assert window.open_s == pytest.approx(20.0)


def test_silence_is_noticed_by_the_time_that_passes(paper, run, give):
    page = paper(lasts_s=42.0)
    page.shot(20.0, 40.0)
    detector = run(page, []).detector
    assert give(detector, page.messages()) == []
    assert detector.passed(T0 + 50.0) == []
    (window,) = detector.passed(T0 + 70.0)
    assert window.open_s == pytest.approx(20.0)
    # Known when silence was certain, not when somebody asked.
    assert window.ended_s < T0 + 57.0


@pytest.mark.parametrize("early_s", [1.0, 2.0, 3.0, 5.0, 8.0])
@pytest.mark.parametrize(("rate_hz", "lag_s"), [(10.0, 0.2), (5.0, 1.2), (2.0, 0.4)])
def test_a_closing_told_too_early_makes_no_second_dispense(paper, run, early_s, rate_hz, lag_s):
    page = paper(lasts_s=70.0, rate_hz=rate_hz, lag_s=lag_s)
    page.shot(20.0, 40.0, closed=False)
    page.tell("gun_closed", 40.0 - early_s, gun="upper")
    (window,) = run(page).all
    assert window.open_s == pytest.approx(20.0 - early_s)
    assert window.t_s[-1] > T0 + 43.0
    late = window.mass_g[window.t_s > window.t_s[-1] - 1.0]
    before = window.mass_g[window.t_s < T0 + 19.5]
    assert late.mean() - before.mean() == pytest.approx(32.0, rel=0.06)
    assert not {"no_plateau_after", "no_plateau_before", "container_moved"} & window.notes


@pytest.mark.parametrize("pause_s", [4.0, 6.0, 10.0])
def test_another_shot_soon_after_is_no_going_on(paper, run, pause_s):
    page = paper(lasts_s=80.0)
    page.shot(15.0, 30.0)
    page.flows.append(("floor", 30.0 + pause_s, 45.0 + pause_s, 1.6))
    windows = run(page).all
    assert [w.opened_s - T0 for w in windows] == pytest.approx([15.0, 30.0 + pause_s], abs=0.5)


def test_dozens_told_at_once_do_not_bring_back_what_was_given_before(paper, run, changed):
    # A line that becomes too slow for the readings: one shot comes in slow motion, most of the rest never,
    # and then all that the controller told since at once.
    page = paper(lasts_s=640.0, shot_s=4.0, guns=("upper", "lower"))
    openings = [20.0, 50.0, 80.0, *(107.0 + 10.0 * n for n in range(46))]
    for n, at_s in enumerate(openings):
        page.shot(at_s, at_s + 4.0, gun=page.guns[n % 2], purpose="shot", setup="impeller")

    def arrives_s(t_s: float) -> float:
        if t_s < 70.0:
            return t_s
        return 70.0 + 20.0 * (t_s - 70.0) if t_s < 95.0 else max(571.0, t_s)

    came = [
        changed(message, arrived_s=T0 + arrives_s(message.t_s - T0) + 0.02 + 1e-6 * n)
        for n, message in enumerate(sorted(page.messages(), key=lambda message: message.t_s))
        if hasattr(message, "event") or not 95.0 < message.t_s - T0 < 571.0
    ]
    given = [window.opened_s - T0 for window in run(page, came).all]
    assert sorted(given) == pytest.approx(openings, abs=0.5)


def test_dozens_in_one_unrest_are_each_given_once(paper, run):
    # Two guns in quick turns: the scale never rests for as long as it takes to part two dispenses.
    page = paper(lasts_s=260.0, shot_s=4.0, guns=("upper", "lower"))
    openings = [20.0 + 4.5 * n for n in range(48)]
    for n, at_s in enumerate(openings):
        page.shot(at_s, at_s + 2.2, gun=page.guns[n % 2], purpose="shot", setup="impeller")
    played = run(page)
    given = [window.opened_s - T0 for window in played.all]
    assert sorted(given) == pytest.approx(openings, abs=0.5)


def test_what_was_given_is_forgotten_once_the_scale_rested(paper, run):
    page = paper(lasts_s=700.0, shot_s=4.0, guns=("upper", "lower"))
    for n in range(48):
        page.shot(20.0 + 4.5 * n, 22.2 + 4.5 * n, gun=page.guns[n % 2], purpose="shot", setup="impeller")
    for n in range(16):
        page.shot(290.0 + 25.0 * n, 294.0 + 25.0 * n, purpose="shot", setup="impeller")
    kept = run(page).detector.snapshot()["scales"]["floor"]["taken"]
    assert len(kept) == 32
