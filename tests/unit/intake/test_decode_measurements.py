"""Readings, pot pressure and fluid temperature in the contract's own form."""

from __future__ import annotations

import json

import pytest

from agent.contract.inputs import FluidTemperature, PotPressure, ScaleReading, Undecodable

from .conftest import NOW_S, PRESSURE, READING, TEMPERATURE, decode


def test_a_full_reading() -> None:
    body = '{"value": 1234.5, "unit": "g", "t": "2026-06-11T05:59:59.750Z", "stable": true, "seq": 17}'
    assert decode(READING, body) == ScaleReading(
        "west", "floor", NOW_S - 0.25, NOW_S, 1234.5, from_arrival=False, stable=True, seq=17
    )


@pytest.mark.parametrize(
    "payload", ["1234.5", " 1234.5\n", '{"value":1234.5}', '{"value":1234.5,"t":null,"unit":null}']
)
def test_without_a_time_the_arrival_counts_and_is_said(payload: str) -> None:
    reading = decode(READING, payload)
    assert (reading.mass_g, reading.t_s, reading.from_arrival) == (1234.5, NOW_S, True)


@pytest.mark.parametrize(
    ("value", "unit", "grams"),
    [
        # 1 lb = 453.59237 g exactly, 1 oz = 1/16 lb (NIST SP 811, appendix B.8).
        (2.0, "lb", 907.18474),
        (2.0, "oz", 56.69904625),
        (2.0, "kg", 2000.0),
        (2.0, "mg", 0.002),
        (2, "g", 2.0),
        (-2.5, "g", -2.5),
        (1.0, "[lb_av]", 453.59237),
        (1.0, "[oz_av]", 28.349523125),
    ],
)
def test_mass_units(value: float, unit: str, grams: float) -> None:
    reading = decode(READING, json.dumps({"value": value, "unit": unit}))
    assert reading.mass_g == pytest.approx(grams, rel=1e-15)


@pytest.mark.parametrize(
    ("value", "unit", "bar"),
    [
        # 1 psi = 6894.757 Pa (NIST SP 811, appendix B.8).
        (10.0, "psi", 0.6894757),
        (10.0, "[psi]", 0.6894757),
        (0.35, "MPa", 3.5),
        (35.0, "kPa", 0.35),
        (0.35, "bar", 0.35),
        (350.0, "mbar", 0.35),
        (35000.0, "Pa", 0.35),
    ],
)
def test_pressure_units(value: float, unit: str, bar: float) -> None:
    pressure = decode(PRESSURE, json.dumps({"value": value, "unit": unit}))
    assert isinstance(pressure, PotPressure)
    assert pressure.pressure_bar == pytest.approx(bar, rel=1e-7)


@pytest.mark.parametrize(
    ("value", "unit", "celsius"),
    [
        (20.0, "C", 20.0),
        (20.0, "Cel", 20.0),
        # Ice and steam, and where the two scales cross.
        (32.0, "F", 0.0),
        (212.0, "F", 100.0),
        (-40.0, "[degF]", -40.0),
        (293.15, "K", 20.0),
    ],
)
def test_temperature_units(value: float, unit: str, celsius: float) -> None:
    temperature = decode(TEMPERATURE, json.dumps({"value": value, "unit": unit}))
    assert isinstance(temperature, FluidTemperature)
    assert temperature.temperature_c == pytest.approx(celsius, abs=1e-9)


def test_bare_numbers_stand_for_bar_and_celsius() -> None:
    assert decode(PRESSURE, "0.5").pressure_bar == 0.5
    assert decode(TEMPERATURE, "21.5").temperature_c == 21.5


@pytest.mark.parametrize(
    "t",
    ["1781157599.5", '"2026-06-11T05:59:59.5Z"', '"2026-06-11T07:59:59.5+02:00"', '"2026-06-11t05:59:59.5z"'],
)
def test_times_are_rfc_3339_or_epoch_seconds(t: str) -> None:
    reading = decode(READING, f'{{"value":1,"t":{t}}}')
    assert (reading.t_s, reading.from_arrival) == (NOW_S - 0.5, False)


def test_nanoseconds_are_read_to_the_microsecond() -> None:
    assert decode(READING, '{"value":1,"t":"2026-06-11T06:00:00.123456789Z"}').t_s == pytest.approx(
        NOW_S + 0.123456, abs=1e-6
    )


def test_a_clock_that_is_hours_off_is_taken_as_it_is() -> None:
    assert decode(READING, f'{{"value":1,"t":{NOW_S - 7200}}}').t_s == NOW_S - 7200


def test_overload_with_and_without_a_number() -> None:
    assert decode(READING, '{"overload":true}').mass_g is None
    assert decode(READING, '{"overload":true,"value":null,"unit":"kg"}').overload is True
    said = decode(READING, '{"overload":true,"value":6110.0}')
    assert (said.mass_g, said.overload) == (6110.0, True)
    assert decode(READING, '{"value":12.0,"overload":false}').overload is False


def test_more_than_nine_intervals_above_the_capacity_is_overload() -> None:
    # OIML R 76-1:2006, 4.2.3: no indication above Max + 9 e. Here Max is 6100 g and e 0.1 g.
    assert decode(READING, "6100.9").overload is False
    assert decode(READING, "6101.0").overload is True


def test_unknown_members_are_ignored() -> None:
    body = '{"value":1.5,"battery":{"v":[3.1]},"note":"\\"value\\":2","x":NaN}'
    assert isinstance(decode(READING, body), Undecodable)
    assert decode(READING, body.replace(',"x":NaN', "")).mass_g == 1.5


def test_a_retained_reading_is_old_and_refused() -> None:
    assert decode(READING, '{"value":1.5}', retain=True).code == "retained"
    assert decode(READING, f'{{"value":1.5,"t":{NOW_S}}}', retain=True).code == "retained"


def test_a_retained_pressure_counts_when_it_says_its_time() -> None:
    assert decode(PRESSURE, '{"value":1.5}', retain=True).code == "retained"
    assert decode(PRESSURE, f'{{"value":1.5,"t":{NOW_S - 60}}}', retain=True).t_s == NOW_S - 60


def test_arrival_on_a_clock_that_was_never_set_does_no_harm() -> None:
    from agent.contract.inputs import RawMessage

    from .conftest import DECODER

    raw = RawMessage(READING, f'{{"value":1,"t":{NOW_S}}}'.encode(), 30.0)
    reading = DECODER.decode(raw)
    assert isinstance(reading, ScaleReading)
    assert (reading.t_s, reading.arrived_s) == (NOW_S, 30.0)
