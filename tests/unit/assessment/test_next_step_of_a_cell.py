"""What to do next at a gun, told from the reasons a cell gives of itself."""

from __future__ import annotations

import pytest

from agent.page.next_step import next_step


@pytest.fixture
def checked(floor_of, cell_of):
    """A cell whose two guns passed their checks at noon."""
    floor = floor_of(cell_of(shifts=()), start="2026-03-02T12:00:00Z")
    floor.check("upper")
    floor.check("lower")
    floor.pass_time(70)
    return floor


def lines(floor) -> dict[str, str]:
    desk = floor.desk.status()
    return {
        gun.gun: next_step(gun, None, None, is_open=False, reasons=desk.reasons).line for gun in desk.guns
    }


def test_each_gun_is_checked_again_once_it_was_changed(checked):
    assert lines(checked) == {"upper": "Ready", "lower": "Ready"}
    checked.event("needle_set", gun="upper", setting=4.5)
    assert lines(checked) == {"upper": "Check again", "lower": "Ready"}
    checked.event("part_changed", gun="lower", part="nozzle")
    assert lines(checked) == {"upper": "Check again", "lower": "Check again"}


def test_checks_that_ran_out_are_made_again(checked):
    checked.pass_time(13 * 3600)
    assert lines(checked) == {"upper": "Check again", "lower": "Check again"}


def test_a_setup_nobody_configured(checked):
    checked.event("setup_loaded", setup="hull-primer")
    assert lines(checked) == {"upper": "Setup unknown", "lower": "Setup unknown"}
    checked.event("setup_loaded", setup="flange-primer")
    assert lines(checked) == {"upper": "Run a flow check", "lower": "Run a flow check"}


def test_a_gun_that_failed_and_was_turned_is_checked_again(floor_of, cell_of):
    floor = floor_of(cell_of(shifts=()), start="2026-03-02T12:00:00Z")
    floor.check("upper", flows=[80.0, 80.1, 80.0])
    floor.check("lower")
    floor.pass_time(70)
    assert lines(floor) == {"upper": "Find the cause", "lower": "Ready"}
    floor.event("needle_set", gun="upper", setting=2.4)
    assert lines(floor) == {"upper": "Check again", "lower": "Ready"}


def test_a_check_that_was_cut_off_is_run_again(floor_of, cell_of):
    floor = floor_of(cell_of(shifts=(), takes_requests=False), start="2026-03-02T12:00:00Z")
    floor.event("setup_loaded", setup="impeller-barrier")
    floor.event("check_started", gun="upper", setup="impeller-barrier")
    floor.shoot("upper", check_id=floor.events[-1].event_id)
    floor.event("check_ended", gun="upper", setup="impeller-barrier")
    floor.pass_time(70)
    assert lines(floor) == {"upper": "Check again", "lower": "Run a flow check"}
