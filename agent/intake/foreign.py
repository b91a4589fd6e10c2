"""Foreign JSON brought into the contract's form, as configured: a JMESPath for each member, word for word."""

from __future__ import annotations

from typing import Any

import jmespath
import jmespath.exceptions

from agent.contract.plan import InputRoute
from agent.intake.refused import Refused, Unlisted, shown

_PER_SECOND = {"s": 1, "ms": 1_000, "us": 1_000_000, "ns": 1_000_000_000}
# Besides its own errors the library lets Python's through where a function meets what it cannot take.
_JMESPATH_FAULTS = (
    jmespath.exceptions.JMESPathError,
    ArithmeticError,
    AttributeError,
    LookupError,
    RecursionError,
    TypeError,
    ValueError,
)
_TRUTHS = {"true": True, "false": False}
_TRUE_OR_FALSE = frozenset({"accepted", "ready", "stable", "overload"})
_WORDS = ("event", "gun", "purpose", "setup", "part", "scale")
"""Members that are text in the contract: a foreign controller may number what they name."""
_LISTED = frozenset({*_WORDS, *_TRUE_OR_FALSE})
"""Members whose values can be listed as words."""


class Translator:
    """Reads payloads of one route."""

    def __init__(self, route: InputRoute) -> None:
        self._paths = [(member, jmespath.compile(path)) for member, path in route.fields]
        self._words = {member: dict(words) for member, words in route.values}
        self._per_second = _PER_SECOND.get(route.t_unit)
        self._unit = route.unit

    def body(self, payload: Any) -> dict[str, Any]:
        """The contract's body of a parsed payload. Raises Refused."""
        body = self._picked(payload)
        for member, words in self._words.items():
            if body.get(member) is not None:
                body[member] = _translated(member, body[member], words)
        for member in _WORDS:
            if type(body.get(member)) in (int, float, bool):
                body[member] = Unlisted(member, body[member])
        t = body.get("t")
        if self._per_second is not None and (type(t) is int or type(t) is float):
            body["t"] = _seconds(t, self._per_second)
        if self._unit is not None and body.get("unit") is None:
            body["unit"] = self._unit
        return body

    def _picked(self, payload: Any) -> dict[str, Any]:
        if self._paths:
            return {member: _searched(member, path, payload) for member, path in self._paths}
        if type(payload) is float or type(payload) is int:
            return {"value": payload}
        if type(payload) is dict:
            return dict(payload)
        raise Refused("wrong_type", f"the payload is {shown(payload)}, it must be an object")


def _searched(member: str, path: Any, payload: Any) -> Any:
    try:
        return path.search(payload)
    except _JMESPATH_FAULTS as fault:
        reason = " ".join(str(fault).split())[:80]
        raise Refused("wrong_type", f"{member} could not be read by its JMESPath: {reason}") from None


def _translated(member: str, value: Any, words: dict[str, str]) -> Any:
    if isinstance(value, (dict, list)):
        return value
    spoken = value if isinstance(value, str) else shown(value)
    ours = words.get(spoken)
    if ours is not None:
        return _TRUTHS.get(ours, ours) if member in _TRUE_OR_FALSE else ours
    if member not in _LISTED or type(value) is (bool if member in _TRUE_OR_FALSE else str):
        # It may be the contract's own word already.
        return value
    # Not refused here: an event may have no use for it.
    return Unlisted(member, value, tuple(words))


def _seconds(t: float, per_second: int) -> float:
    try:
        return t / per_second
    except OverflowError:
        raise Refused("time", "t is a number of hundreds of digits") from None
