"""Readings of scales, pot pressure and fluid temperature."""

from __future__ import annotations

from typing import Any

from agent.contract.inputs import FluidTemperature, PotPressure, RawMessage, ScaleReading
from agent.contract.plan import Scale
from agent.contract.times import EARLIEST_S, LATEST_S
from agent.contract.units import BARS, CELSIUS, GRAMS, celsius
from agent.intake.foreign import Translator
from agent.intake.members import FARTHEST_S, LARGEST_WHOLE, Body, moment, number, truth, whole
from agent.intake.payloads import parsed, refuse_doubled
from agent.intake.refused import Refused, shown

LARGEST_LOADS = 10.0
"""Times the capacity: a scale cannot indicate more, whatever it weighs."""
DIVISIONS_ABOVE = 9.0
"""OIML R 76-1:2006, 4.2.3: no indication above Max by more than 9 e."""
PRESSURE_BAR = (-1.1, 1000.0)
TEMPERATURE_C = (-100.0, 500.0)
_LARGEST_NUMBER = 1e12
_GRAMS = (None, "g")

_READING = ("value", "unit", "t", "stable", "seq", "overload")
_MEASURED = ("value", "unit", "t")


class Readings:
    """Reads one scale."""

    def __init__(self, cell: str, scale: Scale, translator: Translator | None = None) -> None:
        self._cell = cell
        self._scale = scale.name
        self._limit_g = LARGEST_LOADS * scale.capacity_g
        e_g = scale.verification_interval_g or scale.resolution_g
        self._overload_g = scale.capacity_g + DIVISIONS_ABOVE * e_g
        self._translator = translator

    def read(self, raw: RawMessage) -> ScaleReading:
        """The reading in a message. Raises Refused."""
        payload = raw.payload
        body = parsed(payload)
        if self._translator is not None:
            refuse_doubled(payload)
            body = self._translator.body(body)
        elif type(body) is dict:
            # Quotes stand around keys and texts: any more of them, and a key may stand there twice.
            texts = (type(body.get("unit")) is str) + (type(body.get("t")) is str)
            if payload.count(b'"') != 2 * (len(body) + texts):
                refuse_doubled(payload, _READING)
        elif type(body) is float or type(body) is int:
            body = {"value": body}
        else:
            raise Refused("wrong_type", f"the payload is {shown(body)}, it must be an object or a number")
        return self._reading(body, raw)

    def _reading(self, body: Body, raw: RawMessage) -> ScaleReading:
        return self._plain(body, raw) or self._checked(body, raw)

    def _plain(self, body: Body, raw: RawMessage) -> ScaleReading | None:
        """The usual reading, all its checks in one place: `_checked` would say the same in twice the time."""
        value, t_s, stable, seq = body.get("value"), body.get("t"), body.get("stable"), body.get("seq")
        if (
            type(value) is float
            and type(t_s) is float
            and -self._limit_g <= value <= self._overload_g
            and EARLIEST_S <= t_s <= LATEST_S
            and -FARTHEST_S <= t_s - raw.arrived_s <= FARTHEST_S
            and (seq is None or (type(seq) is int and 0 <= seq < LARGEST_WHOLE))
            and (stable is None or type(stable) is bool)
            and body.get("unit") in _GRAMS
            and body.get("overload") is None
            and not raw.retain
        ):
            return ScaleReading(self._cell, self._scale, t_s, raw.arrived_s, value, False, stable, seq, False)
        return None

    def _checked(self, body: Body, raw: RawMessage) -> ScaleReading:
        overload = truth(body, "overload") is True
        mass_g = number(body, "value", -_LARGEST_NUMBER, _LARGEST_NUMBER)
        unit = body.get("unit")
        if unit is not None and unit != "g":
            mass_g = _in(GRAMS, unit, mass_g)
        if mass_g is None:
            if not overload:
                raise Refused("missing", "value is missing, and there is no overload")
        elif not -self._limit_g <= mass_g <= self._limit_g:
            raise Refused("out_of_range", f"{mass_g:g} g is far beyond the scale's capacity")
        elif mass_g > self._overload_g:
            overload = True
        t_s, from_arrival = moment(body, raw.arrived_s)
        if raw.retain:
            raise Refused("retained", "a retained reading is old: publish readings without retain")
        return ScaleReading(
            self._cell,
            self._scale,
            t_s,
            raw.arrived_s,
            mass_g,
            from_arrival,
            truth(body, "stable"),
            whole(body, "seq"),
            overload,
        )


class Pressures:
    """Reads the pressure of one cell's pot."""

    def __init__(self, cell: str, translator: Translator | None = None) -> None:
        self._cell = cell
        self._translator = translator

    def read(self, raw: RawMessage) -> PotPressure:
        """The pressure in a message. Raises Refused."""
        body = _measured(raw, self._translator)
        value, unit = _value(body), body.get("unit")
        pressure_bar = value if unit is None else _in(BARS, unit, value)
        _within("pressure", pressure_bar, PRESSURE_BAR, "bar")
        t_s, from_arrival = _fresh_moment(body, raw)
        return PotPressure(self._cell, t_s, raw.arrived_s, pressure_bar, from_arrival)


class Temperatures:
    """Reads the temperature of one cell's fluid."""

    def __init__(self, cell: str, translator: Translator | None = None) -> None:
        self._cell = cell
        self._translator = translator

    def read(self, raw: RawMessage) -> FluidTemperature:
        """The temperature in a message. Raises Refused."""
        body = _measured(raw, self._translator)
        value, unit = _value(body), body.get("unit")
        if unit is not None:
            if type(unit) is not str or unit not in CELSIUS:
                raise _unknown_unit(unit, CELSIUS)
            value = celsius(value, unit)
        _within("temperature", value, TEMPERATURE_C, "C")
        t_s, from_arrival = _fresh_moment(body, raw)
        return FluidTemperature(self._cell, t_s, raw.arrived_s, value, from_arrival)


def _measured(raw: RawMessage, translator: Translator | None) -> Body:
    body = parsed(raw.payload)
    if translator is not None:
        refuse_doubled(raw.payload)
        return translator.body(body)
    if type(body) is dict:
        refuse_doubled(raw.payload, _MEASURED)
        return body
    if type(body) is float or type(body) is int:
        return {"value": body}
    raise Refused("wrong_type", f"the payload is {shown(body)}, it must be an object or a number")


def _value(body: Body) -> float:
    value = number(body, "value", -_LARGEST_NUMBER, _LARGEST_NUMBER)
    if value is None:
        raise Refused("missing", "value is missing")
    return value


def _fresh_moment(body: Body, raw: RawMessage) -> tuple[float, bool]:
    t_s, from_arrival = moment(body, raw.arrived_s)
    if raw.retain and from_arrival:
        raise Refused("retained", "a retained value without t may be of any age")
    return t_s, from_arrival


def _in(units: Any, unit: Any, value: Any) -> Any:
    """A value times its unit's factor; None stays None."""
    factor = units.get(unit) if type(unit) is str else None
    if factor is None:
        raise _unknown_unit(unit, units)
    return None if value is None else value * factor


def _unknown_unit(unit: Any, units: Any) -> Refused:
    code = "unit" if type(unit) is str else "wrong_type"
    return Refused(code, f"unit is {shown(unit)}, known are: {', '.join(units)}")


def _within(what: str, value: float, bounds: tuple[float, float], unit: str) -> None:
    lowest, highest = bounds
    if not lowest <= value <= highest:
        raise Refused(
            "out_of_range", f"a {what} of {value:g} {unit}, it must lie from {lowest:g} to {highest:g}"
        )
