"""Bad input: refused with a code and a sentence, never raised, never a number."""

from __future__ import annotations

import pytest

from agent.contract.inputs import Undecodable
from agent.intake.payloads import LARGEST_BYTES

from .conftest import COMMAND, EVENT, NOW_S, PRESSURE, READING, REPLY, TEMPERATURE, decode

ANYWHERE = [
    (b"", "empty"),
    (b"  \n", "empty"),
    (b"hello", "not_json"),
    (b"{'value': 1}", "not_json"),
    (b'{"value": 1', "not_json"),
    (b'{"value": 1}{"value": 2}', "not_json"),
    (b'{"value": 01}', "not_json"),
    (b'{"value": +1}', "not_json"),
    (b'{"value": 0x10}', "not_json"),
    (b'{"value": 1,}', "not_json"),
    (b"\xef\xbb\xbf1", "not_json"),
    (b"\xff\xfe1", "not_utf8"),
    (b'{"value": 1, "unit": "\xc3\x28"}', "not_utf8"),
    (b'{"value": 1, "x": "\\ud800"}', "not_json"),
    (b'{"value": NaN}', "not_finite"),
    (b'{"value": Infinity}', "not_finite"),
    (b'{"value": -Infinity}', "not_finite"),
    (b"NaN", "not_finite"),
    (b'{"value": 1, "other": [NaN]}', "not_finite"),
    (b"[" * 100_000, "too_large"),
    (b"[" * 30_000, "not_json"),
    (b"[" * 300 + b"]" * 300, "not_json"),
    (b'{"a":' * 5000 + b"1" + b"}" * 5000, "not_json"),
    (b"1" * 5000, "not_json"),
    (b" " * (LARGEST_BYTES + 1), "too_large"),
    (b"9" * 10 * 1024 * 1024, "too_large"),
    (b"\x00\x01\x02", "not_json"),
    (b"null", "wrong_type"),
    (b"true", "wrong_type"),
    (b'"1.5"', "wrong_type"),
    (b"[1.5]", "wrong_type"),
]


@pytest.mark.parametrize("topic", [READING, EVENT, PRESSURE, TEMPERATURE, REPLY, COMMAND])
@pytest.mark.parametrize(("payload", "code"), ANYWHERE, ids=lambda part: repr(part)[:30])
def test_on_every_topic(topic: str, payload: bytes, code: str) -> None:
    found = decode(topic, payload)
    assert isinstance(found, Undecodable)
    assert found.code == code
    assert found.topic == topic
    assert 0 < len(found.fault) < 300


READINGS = [
    ("{}", "missing"),
    ('{"value":null}', "missing"),
    ('{"Value":1}', "missing"),
    ('{"value":"1.5"}', "wrong_type"),
    ('{"value":true}', "wrong_type"),
    ('{"value":[1]}', "wrong_type"),
    ('{"value":{"g":1}}', "wrong_type"),
    ('{"value":1e300}', "out_of_range"),
    ("1e300", "out_of_range"),
    ('{"value":-1e300}', "out_of_range"),
    ('{"value":1e999}', "not_finite"),
    ('{"value":' + "9" * 400 + "}", "out_of_range"),
    ('{"value":61001}', "out_of_range"),
    ('{"value":-61001}', "out_of_range"),
    ('{"value":61.1,"unit":"kg"}', "out_of_range"),
    ('{"value":1,"unit":"grams"}', "unit"),
    ('{"value":1,"unit":"G"}', "unit"),
    ('{"value":1,"unit":""}', "unit"),
    ('{"value":1,"unit":"psi"}', "unit"),
    ('{"value":1,"unit":1}', "wrong_type"),
    ('{"value":1,"unit":["g"]}', "wrong_type"),
    ('{"value":1,"unit":{}}', "wrong_type"),
    ('{"value":1,"t":0}', "time"),
    ('{"value":1,"t":-1}', "time"),
    ('{"value":1,"t":"1970-01-01T00:00:30Z"}', "time"),
    ('{"value":1,"t":"2200-01-01T00:00:00Z"}', "time"),
    ('{"value":1,"t":"2019-01-01T00:00:00Z"}', "time"),
    ('{"value":1,"t":1781157600000}', "time"),
    ('{"value":1,"t":1e300}', "time"),
    ('{"value":1,"t":' + "9" * 400 + "}", "time"),
    ('{"value":1,"t":"yesterday"}', "time"),
    ('{"value":1,"t":""}', "time"),
    ('{"value":1,"t":"2026-06-11T06:00:00"}', "time"),
    ('{"value":1,"t":"2026-06-11"}', "time"),
    ('{"value":1,"t":"20260611T060000Z"}', "time"),
    ('{"value":1,"t":"2026-W24-4T06:00:00Z"}', "time"),
    ('{"value":1,"t":"2026-02-30T06:00:00Z"}', "time"),
    ('{"value":1,"t":"1781157600"}', "time"),
    ('{"value":1,"t":true}', "wrong_type"),
    ('{"value":1,"t":[1]}', "wrong_type"),
    ('{"value":1,"stable":1}', "wrong_type"),
    ('{"value":1,"stable":"true"}', "wrong_type"),
    ('{"value":1,"seq":1.0}', "wrong_type"),
    ('{"value":1,"seq":true}', "wrong_type"),
    ('{"value":1,"seq":-1}', "out_of_range"),
    ('{"value":1,"seq":' + "9" * 400 + "}", "out_of_range"),
    ('{"value":1,"overload":"no"}', "wrong_type"),
    ('{"value":1,"value":2}', "duplicate_member"),
    ('{"value":1,"value":1}', "duplicate_member"),
    ('{"value" : 1, "value"\t: 2}', "duplicate_member"),
    ('{"value":1,"\\u0076alue":2}', "duplicate_member"),
    ('{"value":1,"t":1781157600,"t":1781157601}', "duplicate_member"),
    ('{"value":1,"unit":"g","unit":"kg"}', "duplicate_member"),
    ('{"value":1,"seq":1,"seq":"x"}', "duplicate_member"),
]


@pytest.mark.parametrize(("payload", "code"), READINGS, ids=lambda part: part[:40])
def test_readings(payload: str, code: str) -> None:
    found = decode(READING, payload)
    assert isinstance(found, Undecodable)
    assert found.code == code


def test_a_member_of_ours_doubled_elsewhere_is_none_of_our_business() -> None:
    assert decode(READING, '{"value":1,"x":{"value":1,"value":2}}').mass_g == 1.0
    assert decode(READING, '{"value":1,"x":1,"x":2}').mass_g == 1.0


@pytest.mark.parametrize(
    ("topic", "payload", "code"),
    [
        (PRESSURE, '{"value":-5}', "out_of_range"),
        (PRESSURE, '{"value":2000}', "out_of_range"),
        (PRESSURE, '{"value":1,"unit":"kPA"}', "unit"),
        (PRESSURE, '{"value":1,"unit":["bar"]}', "wrong_type"),
        (PRESSURE, '{"unit":"bar"}', "missing"),
        (TEMPERATURE, '{"value":-300}', "out_of_range"),
        (TEMPERATURE, '{"value":20,"unit":"celsius"}', "unit"),
        (TEMPERATURE, '{"value":20,"unit":{}}', "wrong_type"),
        (TEMPERATURE, '{"value":20,"value":21}', "duplicate_member"),
        (EVENT, '{"event":"gun_opened","gun":"upper","gun":"lower"}', "duplicate_member"),
        (REPLY, '{"id":"r","accepted":true,"accepted":false}', "duplicate_member"),
        (COMMAND, '{"command":"shelve","command":"acknowledge"}', "duplicate_member"),
    ],
)
def test_other_bodies(topic: str, payload: str, code: str) -> None:
    assert decode(topic, payload).code == code


def test_milliseconds_are_recognised_in_words() -> None:
    assert "t_unit" in decode(READING, f'{{"value":1,"t":{int(NOW_S * 1000)}}}').fault


def test_no_part_of_a_payload_longer_than_80_characters_is_repeated() -> None:
    for payload in ('{"value":1,"unit":"' + "u" * 5000 + '"}', "x" * 5000, '{"value":"' + "v" * 5000 + '"}'):
        found = decode(READING, payload)
        for letter in "uxv":
            assert letter * 81 not in found.fault
        assert "\n" not in found.fault


def test_control_characters_of_a_payload_do_not_reach_the_log() -> None:
    found = decode(READING, b'{"value":1,"unit":"\\u001b[31m\\n"}')
    assert found.fault.isprintable()
    assert decode(READING, b"\x1b[31m").fault.isprintable()
