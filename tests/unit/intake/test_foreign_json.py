"""Foreign topics and foreign JSON, by configuration."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import pytest

from agent.contract.inputs import ControllerEvent, PotPressure, Undecodable
from agent.contract.plan import InputRoute

from .conftest import NOW_S, Decode

Own = Callable[[InputRoute], Decode]


def route(kind: str, **members: Any) -> InputRoute:
    scale = "floor" if kind == "reading" else None
    values = tuple((member, tuple(words.items())) for member, words in members.pop("values", {}).items())
    fields = tuple(members.pop("fields", {}).items())
    return InputRoute(kind, "plc/x", "west", scale, fields=fields, values=values, **members)


@pytest.mark.parametrize(
    ("t_unit", "t"),
    [
        ("s", NOW_S),
        ("ms", int(NOW_S * 1000)),
        ("us", int(NOW_S * 1_000_000)),
        ("ns", int(NOW_S) * 1_000_000_000),
        ("auto", NOW_S),
        ("ms", "2026-06-11T06:00:00Z"),
    ],
)
def test_units_of_time(own: Own, t_unit: str, t: Any) -> None:
    decode = own(route("reading", t_unit=t_unit))
    reading = decode(json.dumps({"value": 1, "t": t}))
    assert (reading.t_s, reading.from_arrival) == (NOW_S, False)


def test_the_configured_unit_serves_where_the_payload_says_none(own: Own) -> None:
    decode = own(route("reading", unit="kg"))
    assert decode("1.5").mass_g == 1500.0
    assert decode('{"value":1.5}').mass_g == 1500.0
    assert decode('{"value":1.5,"unit":"g"}').mass_g == 1.5


def test_fields_are_paths_into_the_payload(own: Own) -> None:
    decode = own(
        route(
            "event",
            fields={"event": "state.name", "gun": "outputs[0]", "t": "hdr.ts", "id": "hdr.n"},
            t_unit="ms",
            values={"event": {"OPEN": "gun_opened"}, "gun": {"4": "upper"}},
        )
    )
    body = {"hdr": {"ts": NOW_S * 1000, "n": 9}, "state": {"name": "OPEN"}, "outputs": [4, 5]}
    found = decode(json.dumps(body))
    assert isinstance(found, ControllerEvent)
    assert (found.event, found.gun, found.t_s, found.event_id) == ("gun_opened", "upper", NOW_S, "9")


def test_once_fields_are_given_only_those_are_read(own: Own) -> None:
    # Here id names the machine. Taken for the event's id it would make every event a redelivery.
    decode = own(route("event", fields={"event": "e", "gun": "g"}))
    first = decode(json.dumps({"e": "gun_opened", "g": "upper", "id": "plc-3"}))
    assert first.event_id != "plc-3"
    assert first.from_arrival is True


def test_a_constant_in_a_path(own: Own) -> None:
    decode = own(route("event", fields={"event": "'gun_opened'", "gun": "@"}, values={"gun": {"2": "lower"}}))
    assert decode("2").gun == "lower"


def test_words_of_truth(own: Own) -> None:
    decode = own(
        route(
            "reply",
            fields={"id": "r", "accepted": "ok"},
            values={"accepted": {"OK": "true", "BUSY": "false", "1": "true", "true": "false"}},
        )
    )
    assert decode('{"r":"a","ok":"OK"}').accepted is True
    assert decode('{"r":"a","ok":"BUSY"}').accepted is False
    assert decode('{"r":"a","ok":1}').accepted is True
    assert decode('{"r":"a","ok":true}').accepted is False
    assert decode('{"r":"a","ok":"MAYBE"}').code == "unknown_word"


def test_ignored_words_and_unknown_ones(own: Own) -> None:
    decode = own(route("event", values={"event": {"ALIVE": "ignore"}}))
    assert decode('{"event":"ALIVE"}') is None
    unknown = decode('{"event":"ALIVEE"}')
    assert isinstance(unknown, Undecodable)
    assert unknown.code == "unknown_word"


def test_a_number_that_no_list_of_words_has_is_told_with_the_list(own: Own) -> None:
    words = {"gun": {"1": "upper", "2": "lower"}, "purpose": {"4": "shot"}, "setup": {"7": "barrier"}}
    fields = {"event": "'gun_opened'", "gun": "g", "purpose": "p", "setup": "s"}
    decode = own(route("event", fields=fields, values=words))
    assert decode('{"g":2,"p":4,"s":7}').gun == "lower"
    refused = decode('{"g":3}')
    assert refused.code == "unknown_gun"
    assert "gun is 3, which values.gun of this input does not list (it has 1, 2)" in refused.fault
    assert decode('{"g":"3"}').code == "unknown_gun"
    assert decode('{"g":1,"p":5}').code == "unknown_word"
    assert decode('{"g":1,"s":8}').code == "unknown_word"


def test_what_an_event_has_no_use_for_need_not_be_listed(own: Own) -> None:
    words = {"event": {"RECIPE": "setup_loaded", "ALIVE": "ignore"}, "gun": {"1": "upper"}}
    decode = own(route("event", fields={"event": "e", "gun": "g", "setup": "s"}, values=words))
    assert decode('{"e":"RECIPE","g":0,"s":"barrier"}').setup == "barrier"
    assert decode('{"e":"ALIVE","g":0,"s":0}') is None


def test_a_number_where_the_contract_has_text_says_what_to_configure(own: Own) -> None:
    refused = own(route("event", fields={"event": "'gun_opened'", "gun": "g"}))('{"g":3}')
    assert refused.code == "wrong_type"
    assert "values.gun" in refused.fault
    assert "to_string()" in refused.fault


def test_a_path_that_meets_nothing_is_a_missing_member(own: Own) -> None:
    decode = own(route("pressure", fields={"value": "a.b.c"}))
    for payload in ("{}", "[]", '{"a":5}', '{"a":{"b":[]}}', "3", "null", '"x"'):
        assert decode(payload).code == "missing"


def test_a_path_may_pick_what_is_no_number(own: Own) -> None:
    decode = own(route("pressure", fields={"value": "a"}))
    for payload in ('{"a":"1"}', '{"a":[1]}', '{"a":{}}', '{"a":true}'):
        assert decode(payload).code == "wrong_type"


@pytest.mark.parametrize("text", ["NaN", "Infinity", "-inf", "1e999"])
def test_numbers_out_of_text_are_finite_or_refused(own: Own, text: str) -> None:
    decode = own(route("pressure", fields={"value": "to_number(a)", "t": "to_number(t)"}))
    assert isinstance(decode(json.dumps({"a": text})), Undecodable)
    assert isinstance(decode(json.dumps({"a": "1", "t": text})), Undecodable)
    assert decode(json.dumps({"a": "1.25"})).pressure_bar == 1.25


@pytest.mark.parametrize(
    "path",
    ["sum(a)", "sort_by(a, &b)", "abs(a)", "length(a)", "join(',', a)", "max_by(a, &x)", "a | keys(@)"],
)
def test_functions_that_meet_the_wrong_type_are_refused(own: Own, path: str) -> None:
    decode = own(route("pressure", fields={"value": path}))
    for payload in ("{}", '{"a":"x"}', '{"a":["x",1]}', '{"a":[{"b":1},{"b":"2"}]}', '{"a":[[]]}'):
        found = decode(payload)
        assert isinstance(found, Undecodable | PotPressure)
        if isinstance(found, PotPressure):
            assert (path, found.pressure_bar) in {("length(a)", 0.0), ("length(a)", 1.0), ("length(a)", 2.0)}


def test_a_doubled_member_anywhere_is_refused(own: Own) -> None:
    decode = own(route("pressure", fields={"value": "a.b"}))
    assert decode('{"a":{"b":1,"b":2}}').code == "duplicate_member"


def test_one_wrong_message_does_not_spoil_the_next(own: Own) -> None:
    decode = own(route("pressure", fields={"value": "a"}, unit="psi"))
    assert decode("{").code == "not_json"
    assert decode('{"a":10}').pressure_bar == pytest.approx(0.6894757, rel=1e-6)
