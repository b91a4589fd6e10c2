"""Clocks that are set, messages out of order, and what an event clock learns."""

from __future__ import annotations

from dataclasses import replace

import pytest

from agent.detection.clocks import EventClock, LeastDelayed
from agent.detection.detector import Detector
from agent.flow.priors import U_ARRIVED_S, U_STAMPED_S, u_told_s

T0 = 1_700_000_000.0


def stepped(messages, at_s, by_s):
    """The scale's clock is set by `by_s` at a time of arrival."""
    return [
        replace(m, t_s=m.t_s + by_s) if hasattr(m, "mass_g") and m.arrived_s >= T0 + at_s else m
        for m in messages
    ]


@pytest.mark.parametrize("by_s", [-7200.0, -4.0, 4.0, 7200.0, 1.7e9 - 1e8])
@pytest.mark.parametrize("at_s", [12.0, 30.0, 43.0])
def test_a_scales_clock_that_is_set(paper, run, grams, by_s, at_s):
    page = paper()
    page.shot(20.0, 40.0)
    played = run(page, stepped(page.messages(), at_s, by_s))
    (window,) = played.all
    assert window.open_s == pytest.approx(20.0)
    assert window.opened_s == pytest.approx(T0 + 20.0 + by_s, abs=0.3)
    assert grams(window) == pytest.approx(32.0, abs=0.1)
    assert played.detector.status("floor").clock_steps == 1
    assert (window.t_s[1:] > window.t_s[:-1]).all()


def test_readings_twice_and_out_of_order(paper, run, grams):
    page = paper()
    page.shot(20.0, 40.0)
    messages = page.messages()
    for k in range(50, len(messages) - 3, 23):
        messages[k], messages[k + 2] = messages[k + 2], messages[k]
    doubled = [m for message in messages for m in (message, message)]
    played = run(page, doubled)
    (window,) = played.all
    assert grams(window) == pytest.approx(32.0, abs=0.05)
    assert (window.t_s[1:] > window.t_s[:-1]).all()
    assert window.notes == frozenset()
    assert played.detector.status("floor").dropped > 500


def test_a_scale_without_a_clock_leaves_the_controllers_open_time_as_sharp_as_it_was_told(paper, run):
    page = paper(scale_has_clock=False)
    page.shot(20.0, 40.0)
    (window,) = run(page).all
    assert "clock_from_arrival" in window.notes
    assert window.is_stamped is True
    assert window.open_s == pytest.approx(20.0)
    assert u_told_s(window) == U_STAMPED_S
    assert u_told_s(replace(window, is_stamped=False)) == U_ARRIVED_S


def test_numbered_readings_without_time_come_twice(paper, run):
    page = paper(scale_has_clock=False)
    page.shot(20.0, 40.0)
    messages = page.messages()
    again = [
        replace(m, arrived_s=m.arrived_s + 0.05, t_s=m.t_s + 0.05) for m in messages if hasattr(m, "seq")
    ]
    played = run(page, sorted([*messages, *again], key=lambda m: m.arrived_s))
    assert len(played.all) == 1
    assert played.detector.status("floor").dropped == len(again)


def test_a_wild_time_of_one_reading_heals(paper, run):
    page = paper()
    page.shot(20.0, 40.0)
    messages = page.messages()
    for k, by_s in ((30, 500.0), (60, -500.0)):
        messages[k] = replace(messages[k], t_s=messages[k].t_s + by_s)
    (window,) = run(page, messages).all
    assert window.opened_s == pytest.approx(T0 + 20.0, abs=0.3)


def test_readings_held_up_on_the_way(paper, run):
    # The network holds everything from 30 to 36 s, then all of it comes at once.
    page = paper()
    page.shot(20.0, 40.0)
    held = [
        replace(m, arrived_s=T0 + 36.0 + 1e-4 * i) if T0 + 30.0 < m.arrived_s < T0 + 36.0 else m
        for i, m in enumerate(page.messages())
    ]
    (window,) = run(page, held).all
    assert window.notes == frozenset()
    assert window.opened_s == pytest.approx(T0 + 20.0, abs=0.1)


def test_the_least_delayed_message_tells_the_offset():
    clock = EventClock()
    for i, late_s in enumerate((0.8, 0.05, 2.0, 0.3, 0.06)):
        clock.add(100.0 * i + 37.0, 100.0 * i + late_s)
    assert clock.offset_s == pytest.approx(36.95)
    assert clock.u_offset_s < 0.1


def test_a_clock_that_was_set_is_followed_after_two_messages():
    clock = EventClock()
    for i in range(10):
        clock.add(100.0 * i, 100.0 * i + 0.05)
    for i in range(10, 12):
        clock.add(100.0 * i - 7200.0, 100.0 * i + 0.05)
    assert clock.offset_s == pytest.approx(-7200.05)


def test_two_messages_that_are_late_alike_are_no_clock_set_back():
    clock = EventClock()
    for i in range(10):
        clock.add(100.0 * i, 100.0 * i + 0.05)
    # An agent that is half a minute behind, and stays so for a shot: opened and closed come equally late.
    clock.add(1000.0, 1038.3)
    clock.add(1003.0, 1041.1)
    assert clock.offset_s == pytest.approx(-0.05)
    for i in range(1, 5):
        clock.add(1003.0 + 30.0 * i, 1041.1 + 30.0 * i)
    assert clock.offset_s == pytest.approx(-38.1)


def test_queued_messages_are_no_set_clock():
    clock = EventClock()
    for i in range(10):
        clock.add(100.0 * i, 100.0 * i + 0.05)
    for i in range(10, 14):
        clock.add(100.0 * i, 1500.0 + 0.01 * i)
    assert clock.offset_s == pytest.approx(-0.05)


def test_a_queue_that_grows_for_minutes_is_no_slow_clock():
    clock = EventClock()
    for i in range(10):
        clock.add(2.0 * i, 2.0 * i + 0.05)
    # The line carries two thirds of what is said: half a second later with each message, for ten minutes.
    for i in range(300):
        clock.add(20.0 + 2.0 * i, 20.05 + 3.0 * i)
    assert clock.offset_s == pytest.approx(-0.05)
    again = EventClock()
    again.restore(clock.state())
    assert (again.offset_s, again.u_offset_s) == (clock.offset_s, clock.u_offset_s)


def test_the_difference_of_two_clocks_is_that_of_the_last_half_hour():
    clock = LeastDelayed()
    for minute in range(120):
        clock.add(5.0 - 0.01 * minute, 60.0 * minute)
    assert clock.ahead_s == pytest.approx(5.0 - 0.01 * 89, abs=0.02)
    assert len(clock.state()) <= 31


def test_an_unknown_clock_is_uncertain():
    clock = EventClock()
    assert clock.offset_s == 0.0
    assert clock.u_offset_s == 0.5


@pytest.mark.parametrize("by_s", [-7200.0, -4.0, 7200.0, 56 * 365.25 * 86400.0])
@pytest.mark.parametrize("own_clock", [True, False])
def test_our_own_clock_is_set_between_two_shots(paper, grams, give, by_s, own_clock):
    """The senders' clocks, where they have one, were right all the time; ours is set at 55 s."""
    page = paper(lasts_s=100.0, scale_has_clock=own_clock)
    page.shot(15.0, 30.0)
    page.shot(65.0, 80.0)
    detector = Detector(page.cell(), page.plan())
    messages = page.messages()
    windows = give(detector, [m for m in messages if m.arrived_s < T0 + 55.0])
    detector.passed(T0 + 55.0)
    assert not detector.measuring()
    detector.clock_set(by_s)
    later = []
    for m in (m for m in messages if m.arrived_s >= T0 + 55.0):
        moved = m.arrived_s + by_s
        later.append(replace(m, arrived_s=moved, t_s=moved if m.from_arrival else m.t_s))
    windows += give(detector, later) + detector.finish()
    assert [w.gun for w in windows] == ["upper", "upper"]
    for window in windows:
        assert window.open_s == pytest.approx(15.0)
        assert grams(window) == pytest.approx(24.0, abs=0.1)
        assert not {"unattributed", "readings_missing", "no_plateau_before"} & window.notes
    detector.passed(T0 + 101.0 + by_s)
    assert detector.scales_heard() == {"floor": True}
    assert not detector.measuring()
