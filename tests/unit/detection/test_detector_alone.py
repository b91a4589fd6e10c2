"""Dispenses seen on the scale alone, and everything on a scale that is none."""

from __future__ import annotations

import pytest

T0 = 1_700_000_000.0


def alone(paper, **more):
    return paper(has_controller=False, **more)


def flow(page, from_s, to_s, g_per_s=1.6, scale="floor"):
    page.flows.append((scale, from_s, to_s, g_per_s))


def test_a_shot_is_seen_without_a_controller(paper, run, grams):
    page = alone(paper)
    flow(page, 20.0, 40.0)
    (window,) = run(page).windows
    assert window.open_s is None
    assert window.gun == "upper"
    assert window.purpose == "shot"
    assert window.opened_s == pytest.approx(T0 + 20.0, abs=0.4)
    assert window.closed_s == pytest.approx(T0 + 40.0, abs=0.4)
    assert window.notes == frozenset()
    assert grams(window) == pytest.approx(32.0, abs=0.05)


def test_which_of_two_guns_it_was_is_not_guessed(paper, run):
    page = alone(paper, guns=("upper", "lower"))
    flow(page, 20.0, 40.0)
    (window,) = run(page).windows
    assert window.gun is None
    assert "unattributed" in window.notes


def test_no_dispense_is_made_of_nothing(paper, run):
    assert run(alone(paper, lasts_s=300.0)).all == []


@pytest.mark.parametrize("rate_g_per_s", [0.003, 0.02, 0.05])
def test_evaporation_is_no_dispense(paper, run, rate_g_per_s):
    page = alone(paper, lasts_s=300.0, evaporation_g_per_s=rate_g_per_s)
    flow(page, 100.0, 120.0)
    assert len(run(page).all) == 1


def test_a_drift_of_warming_up_is_no_dispense(paper, run):
    # 0.4 g in ten minutes, and five times as fast.
    for seconds in (600.0, 120.0):
        page = alone(paper, lasts_s=seconds + 10.0, resolution_g=0.01, noise_g=0.02)
        flow(page, 5.0, 5.0 + seconds, 0.4 / seconds)
        assert run(page).all == []


@pytest.mark.parametrize("grams", [5.0, 12.0, 40.0, 380.0, -300.0])
@pytest.mark.parametrize("lag_s", [0.05, 0.2, 0.5])
def test_a_thing_put_down_or_taken_away_is_no_dispense(paper, run, grams, lag_s):
    page = alone(paper, lag_s=lag_s)
    page.steps.append((25.0, grams))
    assert run(page).all == []


def test_a_cup_put_down_and_tared_is_no_dispense(paper, run):
    page = alone(paper)
    page.steps += [(15.0, 380.0), (17.0, -380.0)]
    flow(page, 25.0, 45.0)
    (window,) = run(page).all
    assert window.notes == frozenset()
    assert window.t_s[0] > T0 + 17.0


@pytest.mark.parametrize("lasts_s", [0.3, 1.0, 3.0, 6.0, 10.0])
@pytest.mark.parametrize("force_g", [2.0, 20.0, 200.0, -20.0])
def test_leaning_on_a_scale_is_no_dispense(paper, run, lasts_s, force_g):
    page = alone(paper)
    page.bumps.append((25.0, lasts_s, force_g))
    assert run(page).all == []


def test_a_knock_at_rest_is_left_out_of_the_plateau(paper, run, grams):
    page = alone(paper)
    page.bumps.append((12.0, 1.5, 60.0))
    flow(page, 20.0, 40.0)
    (window,) = run(page).all
    assert window.mass_g[window.t_s < T0 + 20.0].max() < 351.0
    assert grams(window) == pytest.approx(32.0, abs=0.05)


def test_a_pour_with_a_plateau_in_it_is_two(paper, run):
    page = alone(paper, lasts_s=80.0)
    flow(page, 20.0, 32.0)
    flow(page, 37.0, 50.0)
    first, second = run(page).all
    assert first.closed_s == pytest.approx(T0 + 32.0, abs=0.4)
    assert second.opened_s == pytest.approx(T0 + 37.0, abs=0.4)


def test_air_that_interrupts_a_spray_for_a_second_leaves_it_one(paper, run):
    page = alone(paper)
    flow(page, 20.0, 30.0)
    flow(page, 31.2, 42.0)
    assert len(run(page).all) == 1


def test_a_coarse_and_slow_scale(paper, run, grams):
    page = alone(paper, resolution_g=1.0, rate_hz=2.0, noise_g=0.1)
    flow(page, 20.0, 40.0)
    (window,) = run(page).all
    assert grams(window) == pytest.approx(32.0, abs=1.0)
    assert window.opened_s == pytest.approx(T0 + 20.0, abs=1.5)


def test_a_container_that_gets_something_put_in_is_moved(paper, run):
    page = alone(paper)
    flow(page, 20.0, 40.0)
    page.steps.append((30.0, 9.0))
    windows = run(page).all
    assert all("container_moved" in window.notes for window in windows)


def test_a_container_taken_away_after_a_shot_ends_the_plateau(paper, run, grams):
    page = alone(paper)
    flow(page, 20.0, 40.0)
    page.steps.append((44.0, -380.0))
    (window,) = run(page).all
    assert window.t_s[-1] < T0 + 44.3
    assert grams(window) == pytest.approx(32.0, abs=0.1)


def test_a_container_swapped_between_shots(paper, run, grams):
    page = alone(paper, lasts_s=120.0)
    flow(page, 20.0, 40.0)
    page.steps += [(55.0, -382.0), (60.0, 350.0)]
    flow(page, 75.0, 95.0)
    first, second = run(page).all
    assert grams(first) == pytest.approx(32.0, abs=0.1)
    assert grams(second) == pytest.approx(32.0, abs=0.1)
    assert second.t_s[0] > T0 + 60.0
    assert first.notes == second.notes == frozenset()


def test_a_bleed_seen_on_the_scale_alone(paper, run):
    page = alone(paper, lasts_s=100.0, shot_s=20.0, bleed_s=8.0, shift_setups=("impeller",))
    flow(page, 20.0, 28.0)
    flow(page, 40.0, 60.0)
    flow(page, 72.0, 80.0)
    windows = run(page).all
    # The third is as short as a bleed, but no first one: nothing is guessed.
    assert [window.purpose for window in windows] == ["bleed", "shot", "shot"]
    assert all(window.setup == "impeller" and window.setup_guessed for window in windows)


def test_a_pour_in_a_cell_whose_controller_says_nothing_is_told_later(paper, run):
    page = paper(lasts_s=70.0)
    flow(page, 20.0, 40.0)
    (window,) = run(page).windows
    assert window.open_s is None
    assert window.ended_s > T0 + 50.0
