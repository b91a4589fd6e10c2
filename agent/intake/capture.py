"""Captures: recorded messages, one JSON object a line, as `mosquitto_sub -F %J` (or `%j`) writes them.

Pure: lines in, messages out. The clock of a replay is the capture's own `tst`.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime

from pydantic_core import from_json

from agent.contract.inputs import RawMessage

_DOUBLED_ZONE = re.compile(r"Z(?=[+-]\d{4}$)")
"""mosquitto_sub 2.0 writes both a Z and an offset: `2026-03-02T05:30:00.000000Z+0000`."""


@dataclass(frozen=True, slots=True)
class BadLine:
    """A line of a capture that is no message."""

    number: int
    """Counted from 1."""
    fault: str


def read_capture(lines: Iterable[bytes]) -> Iterator[RawMessage | BadLine]:
    """The messages of a capture in its own order; what cannot be read comes as a `BadLine`.

    Empty lines are passed over: mosquitto_sub leaves one where a payload was no JSON.
    """
    for number, line in enumerate(lines, start=1):
        text = line.strip()
        if not text:
            continue
        try:
            yield _message(text)
        except (ValueError, TypeError, KeyError, OverflowError, RecursionError) as fault:
            yield BadLine(number, _sentence(fault))


def _message(line: bytes) -> RawMessage:
    # Some writers put a record separator (RFC 7464) before each object.
    body = from_json(line.lstrip(b"\x1e"), allow_inf_nan=True)
    if not isinstance(body, dict):
        raise TypeError(f"expected a JSON object with tst, topic and payload, found {type(body).__name__}")
    topic = body["topic"]
    if not isinstance(topic, str):
        raise TypeError("topic is no text")
    return RawMessage(
        topic=topic,
        payload=_payload(body.get("payload"), body.get("payloadlen")),
        arrived_s=_time(body["tst"]),
        qos=int(body.get("qos", 0)),
        retain=bool(body.get("retain", False)),
    )


def _payload(value: object, length: object) -> bytes:
    if value is None and not length:
        return b""
    if isinstance(value, str):
        raw = value.encode("utf-8", "surrogatepass")
        # `%j` writes the payload's own text, `%J` a JSON text as it is: the length tells them apart.
        quoted = json.dumps(value, ensure_ascii=False).encode("utf-8", "surrogatepass")
        if length is not None and length != len(raw) and length == len(quoted):
            return quoted
        return raw
    return json.dumps(value, ensure_ascii=False, separators=(",", ":")).encode("utf-8", "surrogatepass")


def _time(value: object) -> float:
    if isinstance(value, bool):
        raise TypeError("tst is no time")
    if isinstance(value, (int, float)):
        if not math.isfinite(value):
            raise ValueError(f"tst is no time: {value!r}")
        return float(value)
    if not isinstance(value, str):
        raise TypeError("tst is no time")
    moment = datetime.fromisoformat(_DOUBLED_ZONE.sub("", value))
    if moment.tzinfo is None:
        raise ValueError(f"tst has no offset from UTC: {value!r}")
    return moment.timestamp()


def _sentence(fault: Exception) -> str:
    if isinstance(fault, KeyError):
        return f"the member {fault.args[0]!r} is missing"
    return str(fault).splitlines()[0][:160]
