"""Metrics and payloads of Sparkplug B, to bytes; commands from bytes."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import IntEnum
from typing import Any, TypeAlias

from google.protobuf.message import DecodeError

from agent.outlets.sparkplug.schema import payload

Value: TypeAlias = float | int | bool | str | None


class DataType(IntEnum):
    """The data types we use, by the specification's numbers (chapter 6.4.16)."""

    INT32 = 3
    INT64 = 4
    DOUBLE = 10
    BOOLEAN = 11
    STRING = 12
    DATE_TIME = 13


_MEMBERS = {
    DataType.INT32: "int_value",
    DataType.INT64: "long_value",
    DataType.DOUBLE: "double_value",
    DataType.BOOLEAN: "boolean_value",
    DataType.STRING: "string_value",
    DataType.DATE_TIME: "long_value",
}
_BITS = {DataType.INT32: 32, DataType.INT64: 64}


@dataclass(frozen=True, slots=True)
class Metric:
    """One value with its name, type and time."""

    name: str
    datatype: DataType
    value: Value
    """None is sent as a null. A DATE_TIME is epoch milliseconds UTC."""
    at_ms: int
    """When the value was found, epoch milliseconds UTC."""
    unit: str = ""
    """Engineering unit; told in births, as the property `engUnit`."""
    historical: bool = False
    """Told late: not the present value."""


def encoded(metrics: Iterable[Metric], *, at_ms: int, seq: int | None, birth: bool = False) -> bytes:
    """A payload as bytes; a death certificate of a node has no `seq`, and units are told in a `birth`."""
    message = payload()
    message.timestamp = at_ms
    if seq is not None:
        message.seq = seq
    for metric in metrics:
        _put(message.metrics.add(), metric, birth=birth)
    return bytes(message.SerializeToString(deterministic=True))


def _put(wire: Any, metric: Metric, *, birth: bool) -> None:
    wire.name = metric.name
    wire.timestamp = metric.at_ms
    wire.datatype = int(metric.datatype)
    if metric.historical:
        wire.is_historical = True
    if birth and metric.unit:
        wire.properties.keys.append("engUnit")
        wire.properties.values.add(type=int(DataType.STRING), string_value=metric.unit)
    if metric.value is None:
        wire.is_null = True
        return
    value = metric.value
    bits = _BITS.get(metric.datatype)
    if bits is not None and isinstance(value, int):
        # Signed integers travel as their two's complement in an unsigned member.
        value &= (1 << bits) - 1
    setattr(wire, _MEMBERS[metric.datatype], value)


def asks_for_rebirth(data: bytes) -> bool:
    """Whether a command (NCMD) asks for a rebirth. Raises ValueError where the bytes are no payload."""
    message = payload()
    try:
        message.ParseFromString(data)
    except DecodeError as fault:
        raise ValueError(f"this is no Sparkplug B payload: {fault}") from fault
    return any(
        metric.name == REBIRTH and metric.WhichOneof("value") == "boolean_value" and metric.boolean_value
        for metric in message.metrics
    )


REBIRTH = "Node Control/Rebirth"
