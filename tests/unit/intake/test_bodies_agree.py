"""The models of the bodies and the checks by hand are of one mind on what is right."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from pydantic import TypeAdapter, ValidationError

from agent.contract import bodies
from agent.contract.inputs import Undecodable

from .conftest import COMMAND, EVENT, NOW_S, PRESSURE, READING, REPLY, TEMPERATURE, decode

BODIES: dict[str, TypeAdapter[Any]] = {
    READING: TypeAdapter(bodies.ReadingBody),
    EVENT: TypeAdapter(bodies.EventBody),
    PRESSURE: TypeAdapter(bodies.PressureBody),
    TEMPERATURE: TypeAdapter(bodies.TemperatureBody),
    REPLY: TypeAdapter(bodies.ReplyBody),
    COMMAND: TypeAdapter(bodies.AlarmCommandBody),
}
SITE = {"unknown_gun", "unknown_scale", "time", "out_of_range", "retained"}
"""What a model cannot know: the site's names, its scales' range, and what time it is."""

words = st.sampled_from(
    [
        *("g", "kg", "oz", "bar", "psi", "C", "F", "grams"),
        *("gun_opened", "gun_closed", "check_started", "setup_loaded", "needle_set", "part_changed"),
        *("scale_zeroed", "cell_ready", "upper", "floor", "shot", "job", "nozzle", "hub", "r-1"),
        *("acknowledge", "shelve", "2026-06-11T06:00:00Z", "2026-06-11T06:00:00", "2026-06-11", "yes"),
    ]
)
values = st.one_of(
    words,
    st.none(),
    st.booleans(),
    st.integers(-2, 50),
    st.floats(-2, 50).map(lambda number: round(number, 3)),
    st.just(NOW_S),
    st.lists(st.integers(), max_size=1),
    st.dictionaries(st.just("x"), st.integers(), max_size=1),
)
MEMBERS = [
    *("value", "unit", "t", "stable", "seq", "overload", "event", "id", "gun", "purpose", "setup"),
    *("setting", "part", "scale", "ready", "reason", "accepted", "command", "by", "minutes", "other"),
]
any_body = st.dictionaries(st.sampled_from(MEMBERS), values, max_size=8)

# For each body what is mostly right, so that both answers are met often.
likely = {
    READING: st.fixed_dictionaries({"value": values}, optional={"unit": words, "t": values, "seq": values}),
    EVENT: st.fixed_dictionaries(
        {"event": words, "gun": st.just("upper")},
        optional=dict.fromkeys(("setup", "setting", "part", "ready", "id", "t", "purpose"), values),
    ),
    PRESSURE: st.fixed_dictionaries({"value": values}, optional={"unit": words, "t": values}),
    TEMPERATURE: st.fixed_dictionaries({"value": values}, optional={"unit": words, "t": values}),
    REPLY: st.fixed_dictionaries({"id": values, "accepted": values}, optional={"reason": values}),
    COMMAND: st.fixed_dictionaries({"command": words}, optional={"by": values, "minutes": values}),
}


def model_takes(topic: str, body: dict[str, Any]) -> bool:
    try:
        BODIES[topic].validate_json(json.dumps(body))
    except ValidationError:
        return False
    return True


@pytest.mark.parametrize("topic", list(BODIES))
@settings(max_examples=250, deadline=None)
@given(data=st.data())
def test_what_one_takes_the_other_takes(topic: str, data: st.DataObject) -> None:
    body = data.draw(st.one_of(any_body, likely[topic]))
    found = decode(topic, json.dumps(body))
    if topic == READING and body.get("value") is None and body.get("overload") is not True:
        # Between two members: the model cannot say it.
        assert isinstance(found, Undecodable)
    elif isinstance(found, Undecodable) and found.code in SITE:
        # The checks by hand know more; the model may or may not object.
        pass
    else:
        assert (not isinstance(found, Undecodable)) == model_takes(topic, body), (found, body)


@settings(deadline=None)
@given(st.floats(allow_nan=False, allow_infinity=False))
@example(-0.0)
@example(5e-324)
@example(1e300)
def test_a_number_arrives_as_it_was_sent_or_not_at_all(value: float) -> None:
    found = decode(READING, json.dumps({"value": value}))
    if isinstance(found, Undecodable):
        assert abs(value) > 61_000
        assert found.code == "out_of_range"
    else:
        assert found.mass_g == value


@settings(deadline=None)
@given(st.floats(-60_000, 60_000), st.sampled_from(["g", "mg", "kg", "oz", "lb"]))
def test_a_mass_in_any_unit_is_the_same_mass(grams: float, unit: str) -> None:
    from fractions import Fraction

    # Exact, from the definitions: 1 lb = 453.59237 g, 1 oz = 1/16 lb (NIST SP 811, appendix B.8).
    in_grams = {
        "g": Fraction(1),
        "mg": Fraction(1, 1000),
        "kg": Fraction(1000),
        "lb": Fraction("453.59237"),
        "oz": Fraction("453.59237") / 16,
    }[unit]
    value = float(Fraction(grams) / in_grams)
    found = decode(READING, json.dumps({"value": value, "unit": unit}))
    assert not isinstance(found, Undecodable)
    assert found.mass_g == pytest.approx(float(Fraction(value) * in_grams), rel=1e-15, abs=1e-300)
