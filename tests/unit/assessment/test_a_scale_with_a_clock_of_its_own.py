"""Checks are dated by the agent's clock, as turned needles are, whatever the scale's clock says."""

from dataclasses import replace

import pytest

from agent.assessment.own_clock import on_own_clock
from agent.contract.records import Dispense, Release
from agent.contract.times import epoch_s, rfc3339


def on_its_clock(dispense: Dispense, ahead_s: float) -> Dispense:
    """As it is told by a scale whose clock is so far ahead."""
    at, started_at, ended_at = (
        rfc3339(epoch_s(text) + ahead_s) for text in (dispense.at, dispense.started_at, dispense.ended_at)
    )
    return replace(dispense, at=at, started_at=started_at, ended_at=ended_at, scale_ahead_s=ahead_s)


@pytest.fixture
def passed(floor_of, cell_of):
    return floor_of(cell_of(shifts=()), start="2026-03-02T12:00:00Z")


@pytest.mark.parametrize("ahead_s", [300.0, -300.0, 3600.0, -3600.0])
def test_a_needle_turned_after_a_check_holds_the_job(passed, ahead_s, monkeypatch):
    make = passed.make
    monkeypatch.setattr(passed, "make", lambda *a, **k: on_its_clock(make(*a, **k), ahead_s))
    passed.event("setup_loaded", setup="impeller-barrier")
    for gun in ("upper", "lower"):
        passed.check(gun)
    assert passed.last(Release).state == "released"
    passed.pass_time(60.0)
    passed.event("needle_set", gun="lower", setting=2.05)
    assert [reason.code for reason in passed.last(Release).reasons] == ["needle_changed"]
    passed.check("lower")
    assert passed.last(Release).state == "released"


def test_after_a_restart_as_well(passed, monkeypatch):
    make = passed.make
    monkeypatch.setattr(passed, "make", lambda *a, **k: on_its_clock(make(*a, **k), 3600.0))
    for gun in ("upper", "lower"):
        passed.check(gun)
    passed.restart()
    passed.event("needle_set", gun="lower", setting=2.05)
    assert [reason.code for reason in passed.last(Release).reasons] == ["needle_changed"]


def test_a_scale_on_time_changes_nothing(passed):
    dispense = passed.make("upper", None)
    assert on_own_clock(dispense) is dispense
