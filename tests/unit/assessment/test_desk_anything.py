"""Whatever comes in whatever order: no exception, bounded state, nothing released that should not be."""

from __future__ import annotations

import math
import sys
from collections import deque
from dataclasses import fields, is_dataclass, replace

import hypothesis.strategies as st
from hypothesis import HealthCheck, given, settings

from agent.assessment.desk import Conditions, Desk, Fault
from agent.contract.inputs import AlarmCommand, ControllerEvent, Reply
from agent.contract.reading_back import record_of
from agent.contract.record_json import payload, to_json
from agent.contract.records import Check, Release, Request
from agent.contract.times import epoch_s, rfc3339

GUNS = st.sampled_from(["upper", "lower", "nobody", None])
SETUPS = st.sampled_from(["impeller-barrier", "flange-primer", "unknown", None])
STEPS = st.one_of(
    st.tuples(
        st.just("shot"),
        GUNS,
        SETUPS,
        st.sampled_from(["shot", "bleed", "job"]),
        st.floats(80, 110),
        st.sampled_from([20.0, 30.0, 4.0, None]),
        st.sampled_from(["good", "suspect", "rejected"]),
        st.sampled_from([0.5, 0.2, None]),
        st.floats(-300, 60),
    ),
    st.tuples(
        st.just("event"),
        st.sampled_from(
            [
                "gun_opened",
                "gun_closed",
                "check_started",
                "check_ended",
                "setup_loaded",
                "needle_set",
                "part_changed",
                "scale_zeroed",
                "cell_ready",
            ]
        ),
        GUNS,
        SETUPS,
        st.one_of(st.none(), st.floats(0, 10)),
        st.floats(-5000, 5000),
        st.booleans(),
    ),
    st.tuples(st.just("time"), st.floats(-7200, 90000)),
    st.tuples(st.just("check"), st.sampled_from(["upper", "lower"]), st.floats(90, 102)),
    st.tuples(st.just("reply"), st.booleans(), st.sampled_from(["busy", "unknown setup", None])),
    st.tuples(
        st.just("command"),
        st.sampled_from(["flow-off-target-lower", "check-overdue", "nonsense"]),
        st.sampled_from(["acknowledge", "shelve", "unshelve"]),
        st.one_of(st.none(), st.floats(-1, 1e6), st.just(math.nan)),
    ),
    st.tuples(
        st.just("conditions"),
        st.booleans(),
        st.one_of(st.none(), st.floats(0, 2)),
        st.floats(-0.1, 0.1),
        st.booleans(),
    ),
    st.tuples(st.just("restart")),
)


class Play:
    """One story, step by step."""

    def __init__(self, floor) -> None:
        self.floor = floor
        self.number = 0

    def step(self, step) -> None:
        floor = self.floor
        self.number += 1
        match step:
            case ["shot", gun, setup, purpose, flow, open_s, quality, bar, ago]:
                floor.now_s += 30
                made = replace(
                    floor.make("upper", flow),
                    gun=gun,
                    setup=setup,
                    purpose=purpose,
                    open_s=open_s,
                    quality=quality,
                    pot_pressure_bar=bar,
                    started_at=rfc3339(floor.now_s - 20 - ago),
                    ended_at=rfc3339(floor.now_s - ago),
                )
                floor.said.append(made)
                floor.hear(floor.desk.dispense(made))
            case ["event", name, gun, setup, setting, off, retained]:
                one = ControllerEvent(
                    "north",
                    name,
                    floor.now_s + off,
                    floor.now_s,
                    f"x{self.number}",
                    gun=gun,
                    setup=setup,
                    setting=setting,
                    retained=retained,
                    ready=True,
                )
                floor.events.append(one)
                floor.hear(floor.desk.event(one))
            case ["time", seconds]:
                floor.pass_time(seconds, step_s=max(seconds / 20, 30.0))
                floor.now_s += min(seconds, 0)
            case ["check", gun, flow]:
                floor.flows[gun] = flow
                floor.check(gun)
            case ["reply", accepted, reason]:
                for request in floor.of(Request)[-1:]:
                    floor.hear(floor.desk.reply(Reply("north", floor.now_s, request.id, accepted, reason)))
            case ["command", name, command, minutes]:
                pressed = AlarmCommand("north", floor.now_s, name, command, "x", minutes)
                floor.hear(floor.desk.alarm_command(pressed))
            case ["conditions", speaks, bar, slope, fault]:
                told = Conditions(
                    floor.now_s,
                    scales={"floor": speaks, "other": speaks},
                    pot_pressure_bar=bar,
                    idle_slopes={"floor": (slope, 0.001)},
                    faults=(Fault("input-rejected", fault, "x"),),
                )
                floor.hear(floor.desk.conditions(told))
            case ["restart"]:
                floor.said = [record_of(payload(record)) for record in floor.said]
                floor.restart()


@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
@given(steps=st.lists(STEPS, max_size=40))
def test_anything_may_come(floor_of, steps):
    floor = floor_of(start="2026-03-02T04:00:00Z")
    play = Play(floor)
    for step in steps:
        before = len(floor.said)
        play.step(step)
        for record in floor.said[before:]:
            to_json(record)
            if isinstance(record, Release) and record.state == "released":
                assert record.reasons == ()
                assert record.valid_until is not None
                for gun in ("upper", "lower"):
                    known = [
                        check
                        for check in floor.of(Check)
                        if check.gun == gun
                        and check.setup == record.setup
                        and len(check.shots) >= 3
                        and check.verdict == "pass"
                    ]
                    assert known, "released without a passing check of every gun"
    floor.desk.status()


@settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))
@given(steps=st.lists(STEPS, max_size=25))
def test_the_same_story_says_the_same(floor_of, steps):
    def told() -> list[str]:
        floor = floor_of(start="2026-03-02T04:00:00Z")
        play = Play(floor)
        for step in steps:
            play.step(step)
        return [to_json(record) for record in floor.said]

    assert told() == told()


def size_of(thing, seen: set[int]) -> int:
    """How many values hang on a thing."""
    if id(thing) in seen or isinstance(thing, type | str | float | int | None):
        return 1
    seen.add(id(thing))
    if isinstance(thing, dict):
        return 1 + sum(size_of(one, seen) for pair in thing.items() for one in pair)
    if isinstance(thing, list | tuple | set | frozenset | deque):
        return 1 + sum(size_of(one, seen) for one in thing)
    if is_dataclass(thing):
        return 1 + sum(size_of(getattr(thing, one.name), seen) for one in fields(thing))
    return 1 + sum(size_of(one, seen) for one in getattr(thing, "__dict__", {}).values())


def test_state_is_bounded_over_years(floor_of, cell_of):
    """What grows is the wear history alone, up to its bound; a fault or a stray name adds nothing lasting."""
    floor = floor_of(cell_of(shifts=()), start="2026-03-02T12:00:00Z")

    def live(rounds: int) -> None:
        for number in range(rounds):
            floor.now_s += 86400
            floor.event("gun_opened", gun="upper", purpose="job")
            floor.event("needle_set", gun="upper", setting=number % 7 + 0.1)
            floor.event("part_changed", gun="upper", part="nozzle")
            floor.event("setup_loaded", setup=f"typo-{number}")
            floor.event("check_started", gun="upper", setup="impeller-barrier")
            told = Conditions(
                floor.now_s, pot_pressure_bar=0.4 + number % 3 / 10, faults=(Fault(f"f{number}", True, "x"),)
            )
            floor.hear(floor.desk.conditions(told))
            floor.shoot("upper", flow=90.0 + number % 5)
            floor.hear(floor.desk.passed(floor.now_s + 5000))
            floor.said.clear()
            floor.events.clear()

    assert isinstance(floor.desk, Desk)
    live(700)
    before = size_of(floor.desk._state, set())
    live(700)
    after = size_of(floor.desk._state, set())
    assert after < before * 1.05
    assert sys.getsizeof(floor.desk) < 10_000


def test_times_are_told_on_the_clock_of_what_happened(floor):
    floor.run("2026-03-02T06:00:00Z")
    for record in floor.said:
        assert epoch_s(record.at) <= floor.now_s
