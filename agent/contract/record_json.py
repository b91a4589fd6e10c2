"""A record as JSON: what goes out, and what the journal keeps."""

from __future__ import annotations

import json
import math
from dataclasses import fields, is_dataclass
from typing import Any

from agent.contract.records import Record


def payload(record: Record) -> dict[str, Any]:
    """A record as a JSON object: nine significant digits, and null for what is not a number."""
    body: dict[str, Any] = {"record": record.record, "schema": record.schema}
    for member in fields(record):
        body[member.name] = _plain(getattr(record, member.name))
    return body


def to_json(record: Record) -> str:
    """A record as one line of JSON, the same bytes every time."""
    return json.dumps(payload(record), ensure_ascii=False, separators=(",", ":"), allow_nan=False)


def _plain(value: Any) -> Any:
    # Nine digits are far below any uncertainty here and above what different builds of a
    # linear algebra library disagree on, so that a replay gives the same bytes on another machine.
    if isinstance(value, float):
        return float(f"{value:.9g}") if math.isfinite(value) else None
    if isinstance(value, (tuple, list)):
        return [_plain(item) for item in value]
    if is_dataclass(value) and not isinstance(value, type):
        return {member.name: _plain(getattr(value, member.name)) for member in fields(value)}
    return value
