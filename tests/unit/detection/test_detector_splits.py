"""The dispenses do not depend on how a recording is cut, ticked or restarted."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any, ClassVar

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, precondition, rule, run_state_machine_as_test

from agent.contract.inputs import ControllerEvent, ScaleReading
from agent.detection.detector import Detector
from agent.detection.window import Window

T0 = 1_700_000_000.0


def untidy_recording(page_of):
    """A few shots of two guns, with much that goes wrong on the way."""
    page = page_of(lasts_s=190.0, guns=("upper", "lower"), rate_hz=5.0, controller_ahead_s=37.0)
    page.tell("check_started", 8.0, gun="upper", setup="impeller")
    page.shot(15.0, 25.0)
    page.shot(28.0, 38.0)
    page.tell("check_ended", 45.0, gun="upper")
    page.shot(55.0, 65.0, gun="lower", late_s=4.0)
    page.shot(78.0, 88.0, closed=False)
    page.shot(105.0, 115.0, opened=False)
    page.flows.append(("floor", 135.0, 145.0, 1.6))
    page.shot(170.0, 180.0, g_per_s=0.0, purpose="shot")
    page.bumps.append((49.0, 1.0, 80.0))
    page.steps += [(95.0, -300.0), (98.0, 250.0)]
    page.events += [(arrived + 9.0, told) for arrived, told in page.events[1:4]]
    messages = page.messages()
    # Readings lost, twice and out of order.
    rng = np.random.default_rng(5)
    order: list[ScaleReading | ControllerEvent] = []
    for message in messages:
        if isinstance(message, ScaleReading):
            draw = rng.random()
            if draw < 0.02:
                continue
            order += [message, message] if draw < 0.04 else [message]
        else:
            order.append(message)
    for k in range(40, len(order) - 1, 97):
        if isinstance(order[k], ScaleReading) and isinstance(order[k + 1], ScaleReading):
            order[k], order[k + 1] = order[k + 1], order[k]
    return page, order


def assert_same(ours: Sequence[Window], theirs: Sequence[Window]) -> None:
    assert [window.origin for window in ours] == [window.origin for window in theirs]
    for one, other in zip(ours, theirs, strict=True):
        for name in Window.__slots__:
            a, b = getattr(one, name), getattr(other, name)
            if isinstance(a, np.ndarray):
                assert np.array_equal(a, b)
            else:
                assert a == b, name


def give(detector: Detector, message: ScaleReading | ControllerEvent) -> list[Window]:
    return detector.reading(message) if isinstance(message, ScaleReading) else detector.event(message)


class Ticked(RuleBasedStateMachine):
    """One detector gets the messages alone, another is asked for the time in between, however often."""

    page: ClassVar[Any]
    messages: ClassVar[list[ScaleReading | ControllerEvent]]

    def __init__(self) -> None:
        super().__init__()
        self.plain = Detector(self.page.cell(), self.page.plan())
        self.ticked = Detector(self.page.cell(), self.page.plan())
        self.at = 0
        self.now_s = T0
        self.ours: list[Window] = []
        self.theirs: list[Window] = []

    @precondition(lambda self: self.at < len(self.messages))
    @rule(n=st.integers(1, 250))
    def messages_come(self, n: int) -> None:
        for message in self.messages[self.at : self.at + n]:
            self.ours += give(self.plain, message)
            self.theirs += give(self.ticked, message)
            self.now_s = max(self.now_s, message.arrived_s)
        self.at += n

    @precondition(lambda self: self.at < len(self.messages))
    @rule(share=st.floats(0.0, 1.0))
    def time_passes(self, share: float) -> None:
        following = self.messages[self.at].arrived_s
        self.now_s += share * max(following - self.now_s, 0.0)
        self.theirs += self.ticked.passed(self.now_s)

    @rule()
    def asked_for_its_state(self) -> None:
        json.dumps(self.ticked.snapshot())
        self.ticked.status("floor")
        self.ticked.curve("floor")

    def teardown(self) -> None:
        for message in self.messages[self.at :]:
            self.ours += give(self.plain, message)
            self.theirs += give(self.ticked, message)
            self.theirs += self.ticked.passed(message.arrived_s)
        end = self.messages[-1].arrived_s
        self.ours += self.plain.passed(end + 900.0)
        for k in range(90):
            self.theirs += self.ticked.passed(end + 10.0 * k)
        self.theirs += self.ticked.passed(end + 900.0)
        self.ours += self.plain.finish()
        self.theirs += self.ticked.finish()
        assert_same(self.ours, self.theirs)
        assert len(self.ours) == 7


def test_ticks_do_not_change_what_is_found(paper):
    Ticked.page, Ticked.messages = untidy_recording(paper)
    run_state_machine_as_test(
        Ticked,
        settings=settings(
            max_examples=25,
            stateful_step_count=15,
            deadline=None,
            suppress_health_check=list(HealthCheck),
        ),
    )


def test_what_the_untidy_recording_holds(paper, run):
    page, messages = untidy_recording(paper)
    windows = run(page, messages).all
    assert [w.gun for w in windows] == ["upper", "upper", "lower", "upper", "upper", None, "upper"]
    begins = [w.opened_s - T0 for w in windows]
    assert begins == pytest.approx([15.0, 28.0, 55.0, 78.0, 105.0, 135.0, 170.0], abs=0.6)
    opens = [w.open_s for w in windows]
    assert opens[:3] == pytest.approx([10.0] * 3)
    assert opens[3:6] == [None] * 3
    assert opens[6] == pytest.approx(10.0)
    assert [w.check_id for w in windows][:3] == ["e1", "e1", None]
    assert len({w.origin for w in windows}) == len(windows)


@settings(max_examples=40, deadline=None, suppress_health_check=list(HealthCheck))
@given(data=st.data())
def test_a_restart_anywhere_leaves_the_dispenses(paper, grams, data):
    page, messages = untidy_recording(paper)
    whole = Detector(page.cell(), page.plan())
    expected = [w for message in messages for w in give(whole, message)] + whole.finish()
    cut = data.draw(st.integers(1, len(messages) - 1))
    first = Detector(page.cell(), page.plan())
    found = [w for message in messages[:cut] for w in give(first, message)]
    kept = json.loads(json.dumps(first.snapshot()))
    second = Detector(page.cell(), page.plan())
    second.restore(kept)
    found += [w for message in messages[cut:] for w in give(second, message)] + second.finish()
    assert [w.opened_s for w in found] == pytest.approx([w.opened_s for w in expected], abs=1.6)
    assert [w.gun for w in found] == [w.gun for w in expected]
    for one, other in zip(found, expected, strict=True):
        assert one.open_s == other.open_s
        begun_s = messages[cut].arrived_s - other.opened_s
        if 0.0 < begun_s < 1.5 or one.notes & {"no_plateau_before", "no_plateau_after"}:
            continue
        if one.t_s.size:
            assert grams(one) == pytest.approx(grams(other), abs=0.15)
    # What had begun and was known to have: by an event, or by a second of readings.
    between = [w for w in expected if w.opened_s + 1.5 < messages[cut].arrived_s < w.closed_s]
    for window in between:
        again = min(found, key=lambda w: abs(w.opened_s - window.opened_s))
        assert "recovered_after_restart" in again.notes
