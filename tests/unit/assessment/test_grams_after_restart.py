"""Grams sprayed since the parts were changed, over restarts that do not hear of every dispense again."""

from __future__ import annotations

from dataclasses import replace

import pytest

from agent.assessment.desk import Desk
from agent.contract.reading_back import record_of
from agent.contract.record_json import payload
from agent.contract.records import Check, Dispense, Wear


def sprayed(floor) -> float:
    return floor.desk._state.results.guns["lower"].grams


def play(floor, checks: int) -> None:
    """Three checks a day; the flow rises by 0.05 % with each."""
    for _ in range(checks):
        floor.flows["lower"] *= 1.0005
        floor.event("gun_opened", gun="lower", purpose="job")
        floor.pass_time(600, step_s=600)
        floor.event("gun_closed", gun="lower")
        floor.check("lower")
        floor.skip_to(floor.now_s + 8 * 3600)


def test_grams_are_counted_since_the_part_was_changed(floor_of, cell_of):
    floor = floor_of(cell_of(shifts=()), seed=3)
    play(floor, 4)
    floor.event("part_changed", gun="lower", part="nozzle")
    assert sprayed(floor) == 0.0
    floor.check("lower")
    assert floor.last(Check).sprayed_g == sprayed(floor) == pytest.approx(96.0, rel=0.02)


def test_a_long_history_of_which_the_memory_holds_a_part_tells_the_same_grams(floor_of, cell_of):
    floor = floor_of(cell_of(shifts=()), seed=4)
    floor.event("part_changed", gun="lower", part="nozzle")
    play(floor, 120)
    before, due_g = sprayed(floor), floor.last(Wear).due_g
    assert before == pytest.approx(120 * (960 + 96), rel=0.05)
    assert due_g is not None
    kept = [
        record_of(payload(record)) for record in floor.said if isinstance(record, Check)
    ]  # dispenses and most events are long gone
    desk = Desk(floor.cell, floor.plan)
    desk.restore(kept, [event for event in floor.events if event.event == "part_changed"])
    floor.desk = desk
    assert sprayed(floor) == pytest.approx(before, rel=1e-6)
    play(floor, 1)
    assert floor.last(Wear).due_g == pytest.approx(due_g, rel=0.1)


def test_checks_of_an_older_journal_tell_no_grams_and_no_wrong_ones(floor_of, cell_of):
    floor = floor_of(cell_of(shifts=()), seed=5)
    play(floor, 90)
    old = [replace(one, sprayed_g=None) for one in floor.of(Check)]
    floor.desk = Desk(floor.cell, floor.plan)
    floor.desk.restore(old, [])
    play(floor, 1)
    assert floor.last(Wear).due is not None
    assert floor.last(Wear).due_g is None


def test_a_dispense_told_again_counts_once(floor_of, cell_of):
    floor = floor_of(cell_of(shifts=()), seed=6)
    floor.event("check_started", gun="lower", setup="impeller-barrier")
    for _ in range(3):
        floor.pass_time(35)
        dispense = floor.make("lower")
        floor.said += [dispense, *floor.desk.dispense(dispense)]
    before = sprayed(floor)
    assert [record for record in floor.said if isinstance(record, Dispense)]
    floor.restart()
    assert sprayed(floor) == pytest.approx(before, rel=1e-6)
