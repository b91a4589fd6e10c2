"""Which topic is whose, and what is subscribed to."""

from __future__ import annotations

import pytest

from agent.contract.inputs import AlarmCommand, FluidTemperature, PotPressure, ScaleReading, Undecodable
from agent.contract.plan import InputRoute
from agent.intake.decoder import Decoder

from .conftest import DECODER, EVENT, NOW_S, PRESSURE, READING, REPLY, TEMPERATURE, decode, plan_with


def test_filters_of_the_contracts_topics() -> None:
    assert dict(DECODER.filters()) == {
        "works/west/scale/+/reading": 0,
        EVENT: 1,
        PRESSURE: 0,
        TEMPERATURE: 0,
        REPLY: 1,
        "works/west/alert/+/command": 1,
        "works/agent/alert/+/command": 1,
    }
    assert dict(DECODER.filters(readings_qos=1))["works/west/scale/+/reading"] == 1


def test_several_scales_take_one_filter() -> None:
    filters = [topic for topic, _ in Decoder(plan_with(scales=3)).filters()]
    assert len(filters) == len(set(filters)) == len(DECODER.filters())


def test_own_topics_are_subscribed_to_in_place_of_the_contracts() -> None:
    decoder = Decoder(
        plan_with(
            InputRoute("reading", "s/1", "west", "floor"),
            InputRoute("event", "plc/events", "west"),
            InputRoute("pressure", "plc/pot", "west"),
        )
    )
    assert dict(decoder.filters()) == {
        "s/1": 0,
        "plc/events": 1,
        "plc/pot": 0,
        TEMPERATURE: 0,
        REPLY: 1,
        "works/west/alert/+/command": 1,
        "works/agent/alert/+/command": 1,
    }
    assert decode(EVENT, '{"event":"gun_opened"}', decoder=decoder) is None
    assert decode("plc/events", '{"event":"gun_opened"}', decoder=decoder).event == "gun_opened"
    assert decode("s/1", "12", decoder=decoder).scale == "floor"


def test_a_cell_without_controller_hears_no_controller() -> None:
    decoder = Decoder(plan_with(has_controller=False))
    topics = [topic for topic, _ in decoder.filters()]
    assert EVENT not in topics
    assert REPLY not in topics
    assert decode(EVENT, '{"event":"gun_opened"}', decoder=decoder) is None


@pytest.mark.parametrize(
    ("topic", "code"),
    [
        ("works/east/scale/floor/reading", "unknown_cell"),
        ("works/east/controller/event", "unknown_cell"),
        ("works/east/pot/pressure", "unknown_cell"),
        ("works/east/fluid/temperature", "unknown_cell"),
        ("works/east/reply", "unknown_cell"),
        ("works/east/alert/x/command", "unknown_cell"),
        ("works//reply", "unknown_cell"),
        ("works/west/scale/roof/reading", "unknown_scale"),
        ("works/west/alert//command", "out_of_range"),
        ("works/west/alert/" + "x" * 200 + "/command", "out_of_range"),
    ],
)
def test_names_that_nobody_configured(topic: str, code: str) -> None:
    found = decode(topic, '{"value":1,"command":"acknowledge"}')
    assert isinstance(found, Undecodable)
    assert found.code == code


def test_a_scale_nobody_configured_is_told_with_those_there_are() -> None:
    found = decode("works/west/scale/roof/reading", "1")
    assert "cell 'west' has no scale 'roof', its scales are: floor" in found.fault


def test_a_reading_where_its_scale_is_not_configured_to_speak_is_told_where_it_is() -> None:
    decoder = Decoder(plan_with(InputRoute("reading", "s/1", "west", "floor")))
    found = decode(READING, "12", decoder=decoder)
    assert isinstance(found, Undecodable)
    assert found.code == "wrong_topic"
    assert "scale 'floor' of cell 'west' is configured to speak on 's/1'" in found.fault


@pytest.mark.parametrize(
    "topic",
    [
        "works/west/flow/dispense",
        "works/west/flow/check/upper",
        "works/west/alert/flow-low",
        "works/west/request",
        "works/agent/edge-7/state",
        "works/west",
        "works",
        "works/",
        "",
        "other/west/controller/event",
        "works2/west/controller/event",
        "works/west/controller/event/more",
        "works/west/scale/floor/reading/x",
        "$SYS/broker/uptime",
    ],
)
def test_what_is_not_for_us_is_passed_over_whatever_it_holds(topic: str) -> None:
    assert decode(topic, b"\xff\xff") is None


def test_a_root_of_several_levels() -> None:
    import dataclasses

    decoder = Decoder(dataclasses.replace(plan_with(), root="acme-free/paint"))
    assert isinstance(decode("acme-free/paint/west/scale/floor/reading", "1", decoder=decoder), ScaleReading)
    assert decode("acme-free/west/scale/floor/reading", "1", decoder=decoder) is None


def test_any_alarm_may_be_commanded() -> None:
    found = decode("works/west/alert/scale-silent/command", '{"command":"acknowledge"}')
    assert isinstance(found, AlarmCommand)
    assert found.name == "scale-silent"


def test_the_agents_own_alarms_may_be_commanded() -> None:
    found = decode("works/agent/alert/database-down/command", '{"command":"acknowledge"}')
    assert isinstance(found, AlarmCommand)
    assert (found.cell, found.name) == ("agent", "database-down")


def test_several_inputs_of_one_topic_come_together() -> None:
    decoder = Decoder(
        plan_with(
            InputRoute("pressure", "plc/status", "west", fields=(("value", "p"), ("t", "ts"))),
            InputRoute("temperature", "plc/status", "west", fields=(("value", "fluid.t"), ("t", "ts"))),
        )
    )
    found = decode("plc/status", f'{{"p":0.5,"fluid":{{"t":21.0}},"ts":{NOW_S}}}', decoder=decoder)
    assert isinstance(found, tuple)
    assert [type(item) for item in found] == [PotPressure, FluidTemperature]
    alone = decode("plc/status", f'{{"p":0.5,"ts":{NOW_S}}}', decoder=decoder)
    assert isinstance(alone, tuple)
    assert [type(item) for item in alone] == [PotPressure]
    assert isinstance(decode("plc/status", "{", decoder=decoder), Undecodable)
    assert [topic for topic, _ in decoder.filters()].count("plc/status") == 1


def test_a_topic_that_readings_share_with_events_keeps_the_qos_of_events() -> None:
    event = InputRoute("event", "plc/all", "west", fields=(("event", "sig"), ("id", "n")))
    scale = plan_with().cells[0].scales[0].name
    reading = InputRoute("reading", "plc/all", "west", scale=scale, fields=(("value", "w"),))
    for inputs in ((event, reading), (reading, event)):
        assert dict(Decoder(plan_with(*inputs)).filters())["plc/all"] == 1


def test_topics_tell_cells_with_like_names_apart() -> None:
    assert decode(READING.replace("west", "wes"), "1").code == "unknown_cell"
