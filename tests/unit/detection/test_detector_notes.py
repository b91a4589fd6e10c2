"""Notes that belong to one dispense and not to the next: overload, a zeroed scale, a restart."""

from __future__ import annotations

import json

import pytest

from agent.detection.detector import Detector

T0 = 1_700_000_000.0


def two_shots(paper, **more):
    page = paper(lasts_s=125.0, **more)
    page.shot(20.0, 40.0, purpose="shot")
    page.shot(80.0, 100.0, purpose="shot")
    return page


def test_an_overload_belongs_to_the_shot_it_spoiled(paper, run):
    """Somebody leans on the pan in the first shot, beyond the scale's capacity."""
    page = two_shots(paper, capacity_g=600.0)
    page.bumps.append((29.0, 1.0, 500.0))
    first, second = run(page).all
    assert "scale_overload" in first.notes
    assert second.notes == frozenset()


def test_an_overload_well_before_a_shot_is_not_its_own(paper, run):
    page = two_shots(paper, capacity_g=600.0)
    page.bumps.append((8.0, 1.0, 500.0))
    first, second = run(page).all
    assert "scale_overload" not in first.notes | second.notes


@pytest.mark.parametrize(("at_s", "spoiled"), [(30.0, True), (60.0, False)])
def test_a_scale_said_to_be_zeroed_in_a_shot_spoils_it_though_no_step_is_seen(paper, run, at_s, spoiled):
    page = two_shots(paper)
    page.tell("scale_zeroed", at_s, scale="floor")
    first, second = run(page).all
    assert ("container_moved" in first.notes) is spoiled
    assert "container_moved" not in second.notes


@pytest.mark.parametrize(("cut_s", "recovered"), [(30.0, [True, False]), (60.0, [False, False])])
def test_a_restart_belongs_to_the_shot_it_fell_into(paper, give, cut_s, recovered):
    page = two_shots(paper)
    messages = page.messages()
    first = Detector(page.cell(), page.plan())
    windows = give(first, [m for m in messages if m.arrived_s < T0 + cut_s])
    second = Detector(page.cell(), page.plan())
    second.restore(json.loads(json.dumps(first.snapshot())))
    windows += give(second, [m for m in messages if m.arrived_s >= T0 + cut_s]) + second.finish()
    assert ["recovered_after_restart" in window.notes for window in windows] == recovered
