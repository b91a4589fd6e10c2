"""What spoils a dispense is noted; what does not is not."""

from __future__ import annotations

import pytest

T0 = 1_700_000_000.0


def shot(paper, **more):
    page = paper(lasts_s=65.0, **more)
    page.shot(20.0, 40.0, purpose="shot")
    return page


@pytest.mark.parametrize("grams", [-8.0, -4.0, 4.0, 8.0, 380.0])
@pytest.mark.parametrize("at_s", [24.0, 30.0, 36.0])
def test_a_step_in_the_shot_is_a_moved_container(paper, run, grams, at_s):
    page = shot(paper)
    page.steps.append((at_s, grams))
    (window,) = run(page).all
    assert "container_moved" in window.notes


@pytest.mark.parametrize(("grams", "is_loss"), [(-1.6, True), (-2.4, True), (-4.0, False), (1.6, False)])
def test_a_fall_that_may_be_air_is_left_to_flow(paper, run, grams, is_loss):
    page = shot(paper)
    page.steps.append((30.0, grams))
    (window,) = run(page).all
    assert len(window.losses_s) == is_loss
    assert ("container_moved" in window.notes) is not is_loss
    assert all(abs(at_s - T0 - 30.0) < 0.6 for at_s in window.losses_s)


def test_a_container_lifted_and_put_back_in_the_shot(paper, run):
    page = shot(paper)
    page.steps += [(28.0, -360.0), (31.0, 360.0)]
    (window,) = run(page).all
    assert "container_moved" in window.notes


def test_a_scale_zeroed_in_the_shot(paper, run):
    page = shot(paper)
    page.steps.append((30.0, -366.0))
    page.tell("scale_zeroed", 30.0, scale="floor")
    (window,) = run(page).all
    assert "container_moved" in window.notes


def test_a_scale_zeroed_between_shots_cuts_the_plateau(paper, run):
    page = shot(paper)
    page.steps.append((14.0, -350.0))
    page.tell("scale_zeroed", 14.0, scale="floor")
    (window,) = run(page).all
    assert window.notes == frozenset()
    assert T0 + 14.0 < window.t_s[0] < T0 + 16.5


@pytest.mark.parametrize(("lasts_s", "force_g"), [(0.1, 60.0), (0.4, 30.0), (0.8, 200.0), (1.0, -20.0)])
@pytest.mark.parametrize("at_s", [10.0, 25.0, 43.0])
def test_a_knock_is_no_moved_container(paper, run, lasts_s, force_g, at_s):
    page = shot(paper)
    page.bumps.append((at_s, lasts_s, force_g))
    (window,) = run(page).all
    assert window.notes == frozenset()
    assert window.opened_s == pytest.approx(T0 + 20.0, abs=0.1)


@pytest.mark.parametrize("force_g", [70.0, -70.0, 250.0])
@pytest.mark.parametrize("lag_s", [0.3, 0.45])
def test_a_knock_whose_tail_a_slow_filter_shows_is_no_moved_container(paper, run, force_g, lag_s):
    page = shot(paper, lag_s=lag_s)
    page.bumps.append((28.0, 0.6, force_g))
    (window,) = run(page).all
    assert window.notes == frozenset()


@pytest.mark.parametrize("lasts_s", [2.6, 4.0])
@pytest.mark.parametrize("lag_s", [0.2, 0.45])
def test_a_lean_is_no_knock(paper, run, lasts_s, lag_s):
    page = shot(paper, lag_s=lag_s)
    page.bumps.append((28.0, lasts_s, 70.0))
    (window,) = run(page).all
    assert "container_moved" in window.notes


def test_leaning_for_long_in_the_shot_spoils_it(paper, run):
    page = shot(paper)
    page.bumps.append((26.0, 6.0, 150.0))
    (window,) = run(page).all
    assert "container_moved" in window.notes


@pytest.mark.parametrize("push_g", [1.0, 6.0, 9.0])
def test_the_push_of_a_jet_is_no_moved_container(paper, run, push_g):
    # 1.6 g/s at 25 m/s push with 4 g, F = m' v; here flows of 4 g/s.
    page = paper(lasts_s=65.0, target_g_per_min=240.0)
    page.shot(20.0, 40.0, g_per_s=4.0)
    page.steps += [(20.05, push_g), (40.05, -push_g)]
    (window,) = run(page).all
    assert window.notes == frozenset()
    assert window.opened_s == pytest.approx(T0 + 20.0, abs=0.1)


def test_missing_readings_are_noted(paper, run):
    page = shot(paper)
    messages = [m for m in page.messages() if not 28.0 < m.t_s - T0 < 31.0]
    (window,) = run(page, messages).all
    assert "readings_missing" in window.notes


def test_single_lost_readings_are_not(paper, run):
    page = shot(paper)
    messages = [m for i, m in enumerate(page.messages()) if i % 7 or hasattr(m, "event")]
    (window,) = run(page, messages).all
    assert "readings_missing" not in window.notes


def test_overload_is_noted(paper, run):
    page = shot(paper, capacity_g=370.0)
    (window,) = run(page).all
    assert "scale_overload" in window.notes


def test_no_plateau_before(paper, run):
    page = paper(lasts_s=45.0)
    page.shot(0.3, 20.0)
    (window,) = run(page).all
    assert "no_plateau_before" in window.notes


def test_no_plateau_after(paper, run):
    page = paper(lasts_s=60.0)
    page.shot(20.0, 40.0)
    page.steps.append((40.3, -380.0))
    (window,) = run(page).all
    assert window.notes & {"no_plateau_after", "container_moved"}
