"""Events of the controller, its replies, and commands to alarms."""

from __future__ import annotations

import json
from typing import Any

import pytest

from agent.contract.inputs import AlarmCommand, ControllerEvent, Reply, Undecodable
from agent.intake.decoder import Decoder

from .conftest import COMMAND, EVENT, NOW_S, REPLY, decode, plan_with


def event(retain: bool = False, **members: Any) -> Any:
    return decode(EVENT, json.dumps(members), retain=retain)


@pytest.mark.parametrize(
    "members",
    [
        {"event": "gun_opened", "gun": "upper", "purpose": "shot", "setup": "hub"},
        {"event": "gun_closed", "gun": "lower", "purpose": "bleed"},
        {"event": "gun_opened", "gun": "lower", "purpose": "job"},
        {"event": "gun_opened"},
        {"event": "check_started", "gun": "upper", "setup": "hub"},
        {"event": "check_ended", "gun": "upper"},
        {"event": "setup_loaded", "setup": "a setup that is in no file"},
        {"event": "needle_set", "gun": "upper", "setting": 2.25},
        {"event": "part_changed", "gun": "upper", "part": "nozzle"},
        {"event": "scale_zeroed", "scale": "floor"},
        {"event": "cell_ready", "ready": False, "reason": "door open"},
    ],
    ids=lambda members: members["event"],
)
def test_every_event_with_its_members(members: dict[str, Any]) -> None:
    found = event(id="e-1", t=NOW_S - 1, **members)
    assert isinstance(found, ControllerEvent)
    assert (found.event_id, found.t_s, found.from_arrival, found.retained) == ("e-1", NOW_S - 1, False, False)
    for member, value in members.items():
        assert getattr(found, member) == value
    others = {"gun", "purpose", "setup", "setting", "part", "scale", "ready", "reason"} - set(members)
    assert all(getattr(found, member) is None for member in others)


@pytest.mark.parametrize(
    ("members", "code"),
    [
        ({}, "missing"),
        ({"event": "gun_open"}, "unknown_word"),
        ({"event": "ignore"}, "unknown_word"),
        ({"event": ""}, "out_of_range"),
        ({"event": 3}, "wrong_type"),
        ({"event": ["gun_opened"]}, "wrong_type"),
        ({"event": "gun_opened", "gun": "uper"}, "unknown_gun"),
        ({"event": "gun_opened", "gun": 1}, "wrong_type"),
        ({"event": "gun_opened", "gun": "upper", "purpose": "test"}, "unknown_word"),
        ({"event": "check_started", "setup": "hub"}, "missing"),
        ({"event": "setup_loaded"}, "missing"),
        ({"event": "setup_loaded", "setup": "x" * 300}, "out_of_range"),
        ({"event": "needle_set", "gun": "upper"}, "missing"),
        ({"event": "needle_set", "gun": "upper", "setting": "2"}, "wrong_type"),
        ({"event": "needle_set", "gun": "upper", "setting": True}, "wrong_type"),
        ({"event": "needle_set", "gun": "upper", "setting": 1e300}, "out_of_range"),
        ({"event": "needle_set", "setting": 2}, "missing"),
        ({"event": "part_changed", "gun": "upper", "part": "hose"}, "unknown_word"),
        ({"event": "scale_zeroed", "scale": "roof"}, "unknown_scale"),
        ({"event": "cell_ready"}, "missing"),
        ({"event": "cell_ready", "ready": 1}, "wrong_type"),
        ({"event": "cell_ready", "ready": True, "reason": "x" * 2000}, "out_of_range"),
        ({"event": "gun_opened", "id": True}, "wrong_type"),
        ({"event": "gun_opened", "id": 2**80}, "out_of_range"),
        ({"event": "gun_opened", "id": 1.5}, "wrong_type"),
        ({"event": "gun_opened", "t": 0}, "time"),
    ],
)
def test_what_is_wrong_is_refused(members: dict[str, Any], code: str) -> None:
    found = event(**members)
    assert isinstance(found, Undecodable)
    assert found.code == code


def test_a_whole_number_serves_as_id() -> None:
    assert event(event="gun_opened", id=4711).event_id == "4711"


def test_an_id_is_made_of_what_happened() -> None:
    members: dict[str, Any] = {"event": "needle_set", "gun": "upper", "setting": 2.5, "t": NOW_S}
    made = event(**members).event_id
    assert made.startswith("event-")
    assert event(**members).event_id == made
    assert event(**members, colour="blue").event_id == made
    for other in ({"gun": "lower"}, {"setting": 2.6}, {"t": NOW_S + 0.001}):
        assert event(**(members | other)).event_id != made


def test_a_retained_event_is_marked_and_kept() -> None:
    assert event(event="gun_opened", gun="upper", retain=True).retained is True


def test_the_only_scale_need_not_be_named() -> None:
    assert event(event="scale_zeroed").scale == "floor"
    two = Decoder(plan_with(scales=2))
    assert decode(EVENT, '{"event":"scale_zeroed"}', decoder=two).code == "missing"


def test_members_of_other_events_are_ignored() -> None:
    assert event(event="gun_opened", gun="upper", setting="nonsense", part=[]).setting is None


def test_replies() -> None:
    assert decode(REPLY, '{"id":"r-1","accepted":true}') == Reply("west", NOW_S, "r-1", accepted=True)
    refusal = decode(REPLY, '{"id":"r-1","accepted":false,"reason":"door open"}')
    assert (refusal.accepted, refusal.reason) == (False, "door open")
    assert decode(REPLY, '{"id":"r-1","accepted":true,"reason":""}').reason is None
    for payload, code in (
        ('{"accepted":true}', "missing"),
        ('{"id":"r-1"}', "missing"),
        ('{"id":"r-1","accepted":"yes"}', "wrong_type"),
        ("true", "wrong_type"),
    ):
        assert decode(REPLY, payload).code == code
    assert decode(REPLY, '{"id":"r-1","accepted":true}', retain=True).code == "retained"


def test_commands_to_alarms() -> None:
    assert decode(COMMAND, '{"command":"shelve","by":"shift lead","minutes":30}') == AlarmCommand(
        "west", NOW_S, "flow-low", "shelve", by="shift lead", minutes=30.0
    )
    assert decode(COMMAND, '{"command":"acknowledge"}').by is None
    for payload, code in (
        ('{"command":"silence"}', "unknown_word"),
        ('{"command":"shelve","minutes":0}', "out_of_range"),
        ('{"command":"shelve","minutes":-5}', "out_of_range"),
        ('{"command":"shelve","minutes":1e9}', "out_of_range"),
        ("{}", "missing"),
        ('"acknowledge"', "wrong_type"),
    ):
        assert decode(COMMAND, payload).code == code
    assert decode(COMMAND, '{"command":"acknowledge"}', retain=True).code == "retained"
