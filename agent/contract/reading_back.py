"""Records read back from JSON: the journal's rows, or what was heard on MQTT."""

from __future__ import annotations

from functools import cache
from typing import Any

from pydantic import TypeAdapter

from agent.contract.records import KINDS, Record


@cache
def adapter(kind: str) -> TypeAdapter[Record]:
    """The checker of one kind of record. Raises KeyError for an unknown kind."""
    return TypeAdapter(KINDS[kind])


def record_of(body: dict[str, Any]) -> Record:
    """The record a JSON object stands for; members that a newer version added are left out.

    Raises KeyError for an unknown kind and pydantic's ValidationError where members are missing or wrong.
    """
    kind = body["record"]
    return adapter(kind).validate_python(
        {name: value for name, value in body.items() if name not in _CLASSWIDE}
    )


_CLASSWIDE = frozenset({"record", "schema"})
