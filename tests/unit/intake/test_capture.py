"""Captures as mosquitto_sub 2.0 writes them."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.contract.inputs import RawMessage
from agent.intake.capture import BadLine, read_capture

# Written by mosquitto_sub 2.0.11 -F %J: both a Z and an offset, retain and qos as numbers, payload as JSON.
LINE = (
    b'{"tst":"2026-11-25T07:43:10.158170Z+0000","topic":"a/b","qos":1,"retain":0,"payloadlen":25,'
    b'"payload":{"value":1.5,"n":null}}\n'
)


def one(line: bytes) -> RawMessage | BadLine:
    (item,) = read_capture([line])
    return item


def message(line: bytes) -> RawMessage:
    item = one(line)
    assert isinstance(item, RawMessage), item
    return item


def test_a_line_of_mosquitto_sub_is_a_message() -> None:
    found = message(LINE)
    assert found.topic == "a/b"
    assert json.loads(found.payload) == {"value": 1.5, "n": None}
    assert (found.qos, found.retain) == (1, False)
    assert found.arrived_s == pytest.approx(1795592590.158170, abs=1e-6)


@pytest.mark.parametrize(
    ("tst", "seconds"),
    [
        ('"2026-03-02T05:30:00+01:00"', 1772425800.0),
        ('"2026-03-02T04:30:00Z"', 1772425800.0),
        ('"2026-03-02T05:30:00.250000Z+0100"', 1772425800.25),
        ("1772425800.5", 1772425800.5),
    ],
)
def test_times_with_an_offset_are_understood(tst: str, seconds: float) -> None:
    line = f'{{"tst":{tst},"topic":"a","qos":0,"retain":0,"payload":1}}'
    assert message(line.encode()).arrived_s == pytest.approx(seconds, abs=1e-6)


def test_empty_payload_bare_number_and_text() -> None:
    assert message(b'{"tst":1.7e9,"topic":"a","payloadlen":0,"payload":null}').payload == b""
    assert message(b'{"tst":1.7e9,"topic":"a","payloadlen":4,"payload":12.5}').payload == b"12.5"
    # A JSON text of three letters is five bytes on the wire; a payload quoted by %j is as long as it says.
    assert message(b'{"tst":1.7e9,"topic":"a","payloadlen":5,"payload":"str"}').payload == b'"str"'
    assert message(b'{"tst":1.7e9,"topic":"a","payloadlen":7,"payload":"{\\"v\\":1}"}').payload == b'{"v":1}'


def test_empty_lines_are_passed_over() -> None:
    assert [type(item) for item in read_capture([b"\n", LINE, b"  \n"])] == [RawMessage]


@pytest.mark.parametrize(
    ("line", "word"),
    [
        (b"{", "EOF"),
        (b"[1]", "JSON object"),
        (b'{"topic":"a","payload":1}', "tst"),
        (b'{"tst":1.7e9,"payload":1}', "topic"),
        (b'{"tst":1e999,"topic":"a","payload":1}', "no time"),
        (b'{"tst":NaN,"topic":"a","payload":1}', "no time"),
        (b'{"tst":"yesterday","topic":"a","payload":1}', "yesterday"),
        (b'{"tst":"2026-03-02T05:30:00","topic":"a","payload":1}', "offset"),
        (b'{"tst":1.7e9,"topic":5,"payload":1}', "topic"),
        (b"\xff\xfe", ""),
    ],
)
def test_a_bad_line_says_its_number_and_fault(line: bytes, word: str) -> None:
    items = list(read_capture([LINE, line]))
    assert isinstance(items[1], BadLine)
    assert items[1].number == 2
    assert word in items[1].fault


@given(st.lists(st.binary(max_size=200), max_size=5))
def test_rubbish_never_raises(lines: list[bytes]) -> None:
    for item in read_capture(lines):
        assert isinstance(item, (RawMessage, BadLine))


@given(
    st.recursive(
        st.none() | st.booleans() | st.integers(-(2**53), 2**53) | st.floats(allow_nan=False) | st.text(),
        lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
        max_leaves=8,
    )
)
def test_a_json_payload_comes_through_unchanged(value: object) -> None:
    payload = json.dumps(value).encode()
    line = json.dumps({"tst": 1.7e9, "topic": "a", "payloadlen": len(payload), "payload": value}).encode()
    found = message(line)
    if isinstance(value, str):
        assert found.payload in {payload, value.encode(), json.dumps(value, ensure_ascii=False).encode()}
    else:
        assert json.loads(found.payload) == value
