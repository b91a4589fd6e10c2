"""From bytes to a JSON value, or a clear word on why not."""

from __future__ import annotations

import json
from collections.abc import Iterable
from typing import Any

from pydantic_core import from_json

from agent.intake.refused import Refused, shown

LARGEST_BYTES = 64 * 1024
"""No reading or event is longer. What is longer is not parsed."""


def parsed(payload: bytes) -> Any:
    """The JSON value of a payload. Raises Refused."""
    if len(payload) > LARGEST_BYTES:
        raise Refused("too_large", f"the payload has {len(payload)} bytes, the most is {LARGEST_BYTES}")
    try:
        return from_json(payload, allow_inf_nan=False)
    except ValueError as fault:
        raise _why_not(payload, str(fault)) from None


def refuse_doubled(payload: bytes, members: Iterable[str] | None = None) -> None:
    """Refuse an object that says a member twice: readers differ on which of the two they believe.

    With `members` only these count, and only in the outermost object. The payload must have parsed before.
    """
    wanted = None if members is None else frozenset(members)
    doubled: list[tuple[dict[str, Any], str]] = []

    def gather(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        whole = dict(pairs)
        if len(whole) != len(pairs):
            keys = [key for key, _ in pairs]
            twice = sorted({key for key in keys if keys.count(key) > 1})
            doubled.extend((whole, key) for key in twice if wanted is None or key in wanted)
        return whole

    try:
        outermost = json.loads(payload, object_pairs_hook=gather)
    except (ValueError, RecursionError):
        raise Refused("not_json", "the payload is JSON to one reader and none to another") from None
    for whole, key in doubled:
        if wanted is None or whole is outermost:
            raise Refused("duplicate_member", f"the member {shown(key)} stands there twice")


def _why_not(payload: bytes, fault: str) -> Refused:
    if not payload.strip():
        return Refused("empty", "the payload is empty")
    try:
        text = payload.decode()
    except UnicodeDecodeError as wrong:
        return Refused(
            "not_utf8", f"the payload is not UTF-8: byte {wrong.start} is 0x{payload[wrong.start]:02x}"
        )
    try:
        from_json(payload, allow_inf_nan=True)
    except ValueError:
        start = text.strip()[:40]
        return Refused("not_json", f"the payload is no JSON ({fault}): {start!r}")
    return Refused("not_finite", "a number is NaN or infinite, which JSON does not have")
