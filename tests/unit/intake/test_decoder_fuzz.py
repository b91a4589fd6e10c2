"""Whatever comes on whatever topic: an input with sound numbers, Undecodable, or None. Never an exception."""

from __future__ import annotations

import json
import math
from dataclasses import fields
from typing import Any

from hypothesis import example, given, settings
from hypothesis import strategies as st

from agent.contract.inputs import Input, RawMessage, ScaleReading, Undecodable
from agent.contract.plan import InputRoute
from agent.intake.complaints import Complaints
from agent.intake.decoder import Decoder

from .conftest import COMMAND, DECODER, EVENT, NOW_S, PRESSURE, READING, REPLY, TEMPERATURE, plan_with

FOREIGN = Decoder(
    plan_with(
        InputRoute(
            "reading",
            "f/reading",
            "west",
            "floor",
            fields=(("value", "to_number(a.w)"), ("t", "ts"), ("seq", "n"), ("stable", "s")),
            t_unit="ms",
            unit="kg",
            values=(("stable", (("S", "true"), ("1", "true"))),),
        ),
        InputRoute(
            "event",
            "f/event",
            "west",
            fields=(
                ("event", "join('-', [a, b])"),
                ("gun", "outputs[-1]"),
                ("id", "max(ids)"),
                ("t", "sum(t)"),
            ),
            values=(("event", (("on-1", "gun_opened"), ("alive-1", "ignore"))),),
        ),
        InputRoute("pressure", "f/both", "west", fields=(("value", "sort_by(a, &v)[0].v"),)),
        InputRoute("temperature", "f/both", "west", fields=(("value", "avg(a[].v)"),), unit="F"),
        InputRoute("reply", "f/reply", "west", values=(("accepted", (("OK", "true"),)),)),
    )
)
TOPICS = [READING, EVENT, PRESSURE, TEMPERATURE, REPLY, COMMAND]
FOREIGN_TOPICS = ["f/reading", "f/event", "f/both", "f/reply"]

GOOD = [
    b'{"value":1234.5,"unit":"g","t":"2026-06-11T06:00:00Z","stable":true,"seq":17}',
    b'{"event":"gun_opened","gun":"upper","purpose":"shot","setup":"hub","id":"e-1","t":1781157600.0}',
    b'{"event":"needle_set","gun":"upper","setting":2.5}',
    b'{"id":"r-1","accepted":true,"reason":"x"}',
    b'{"command":"shelve","by":"x","minutes":30}',
    b'{"a":{"w":"1.5"},"ts":1781157600000,"n":1,"s":"S"}',
    b'{"a":"on","b":"1","outputs":["upper"],"ids":[1,2],"t":[1781157600]}',
    b'{"a":[{"v":1},{"v":2.5}]}',
    b"1234.5",
]
PIECES = [
    *(b"NaN", b"1e999", b"-", b"null", b"true", b"[]", b"{}", b'"', b"\\", b"\x00", b"\xff", b"\xe2\x82"),
    *(b'"value":', b'"t":', b",", b"9" * 400, b"[" * 250, b'{"a":' * 60, b"\\ud800", b"1e300", b"0", b" "),
]


def check(
    decoder: Decoder, topic: str, payload: bytes, *, arrived_s: float = NOW_S, retain: bool = False
) -> None:
    found = decoder.decode(RawMessage(topic, payload, arrived_s, retain=retain))
    if found is None:
        return
    if isinstance(found, Undecodable):
        assert found.topic == topic
        assert found.code
        assert found.fault.isprintable()
        assert len(found.fault) < 500
        assert Complaints().about(found)
        return
    for item in found if isinstance(found, tuple) else (found,):
        sound(item, arrived_s)


def sound(item: Input, arrived_s: float) -> None:
    for member in fields(item):
        value = getattr(item, member.name)
        if isinstance(value, float) and member.name != "arrived_s":
            assert math.isfinite(value), (member.name, item)
            assert type(value) is float
    assert item.arrived_s == arrived_s
    if isinstance(item, ScaleReading):
        assert item.mass_g is None or abs(item.mass_g) <= 61_000
        assert item.mass_g is not None or item.overload
        assert type(item.overload) is bool
        assert item.seq is None or type(item.seq) is int


json_values = st.recursive(
    st.one_of(st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=10)),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=6), inner, max_size=4),
    max_leaves=10,
)
member_names = st.sampled_from(
    [
        *(
            "value",
            "unit",
            "t",
            "stable",
            "seq",
            "overload",
            "event",
            "id",
            "gun",
            "setup",
            "setting",
            "part",
        ),
        *("scale", "ready", "reason", "accepted", "command", "by", "minutes", "a", "b", "w", "v", "ts", "n"),
        *("s", "ids", "outputs"),
    ]
)
bodies = st.dictionaries(member_names, json_values, max_size=6)
any_topic = st.sampled_from([*TOPICS, "works/west/scale/roof/reading", "works/east/reply", "other"])


@settings(max_examples=300, deadline=None)
@given(any_topic, st.binary(max_size=200), st.booleans())
@example(READING, b"[" * 10_000, False)
@example(READING, b'{"a":' * 10_000, False)
def test_any_bytes(topic: str, payload: bytes, retain: bool) -> None:
    check(DECODER, topic, payload, retain=retain)


@settings(max_examples=300, deadline=None)
@given(any_topic, st.one_of(bodies, json_values), st.booleans())
def test_any_json(topic: str, body: Any, retain: bool) -> None:
    check(DECODER, topic, json.dumps(body).encode(), retain=retain)


@settings(max_examples=400, deadline=None)
@given(
    st.sampled_from(GOOD),
    st.lists(
        st.tuples(st.integers(0, 90), st.integers(0, 8), st.sampled_from(PIECES)), min_size=1, max_size=4
    ),
    st.sampled_from([(DECODER, topic) for topic in TOPICS] + [(FOREIGN, topic) for topic in FOREIGN_TOPICS]),
)
def test_good_messages_with_pieces_exchanged(
    payload: bytes, changes: list[tuple[int, int, bytes]], at: tuple[Decoder, str]
) -> None:
    for start, length, piece in changes:
        payload = payload[:start] + piece + payload[start + length :]
    check(*at, payload)


@settings(max_examples=300, deadline=None)
@given(st.sampled_from(FOREIGN_TOPICS), st.one_of(bodies, json_values))
@example("f/reading", {"a": {"w": "NaN"}, "ts": "x"})
@example("f/reading", {"a": {"w": "1"}, "ts": 10**400})
@example("f/event", {"a": "on", "b": "1", "ids": [], "t": []})
@example("f/event", {"a": "on", "b": "1", "ids": [1e308], "t": [1e308, 1e308]})
@example("f/both", {"a": [{"v": 1}, {"v": "x"}, {"v": None}]})
@example("f/both", {"a": []})
@example("f/both", {"a": "\x1b[31m"})
@example("f/both", {"a": [{"v": 1e308}, {"v": 1e308}]})
def test_any_json_on_foreign_topics(topic: str, body: Any) -> None:
    check(FOREIGN, topic, json.dumps(body).encode())


@settings(deadline=None)
@given(st.text(max_size=60), st.sampled_from(GOOD))
@example("works/\x00/reply", b"{}")
@example("works/" + "/" * 50, b"{}")
def test_any_topic(topic: str, payload: bytes) -> None:
    check(DECODER, topic, payload)


@settings(deadline=None)
@given(st.floats(allow_nan=False, allow_infinity=False), st.sampled_from(GOOD), st.sampled_from(TOPICS))
def test_any_arrival(arrived_s: float, payload: bytes, topic: str) -> None:
    # A clock may show anything, but not infinity; the capture reader sees to that for its own times.
    check(DECODER, topic, payload, arrived_s=arrived_s)


def test_the_good_ones_are_good() -> None:
    # Without this a decoder that refuses everything would pass.
    assert isinstance(DECODER.decode(RawMessage(READING, GOOD[0], NOW_S)), ScaleReading)
    assert not isinstance(FOREIGN.decode(RawMessage("f/reading", GOOD[5], NOW_S)), Undecodable | None)
    assert not isinstance(FOREIGN.decode(RawMessage("f/event", GOOD[6], NOW_S)), Undecodable | None)
    both = FOREIGN.decode(RawMessage("f/both", GOOD[7], NOW_S))
    assert isinstance(both, tuple)
    assert len(both) == 2
