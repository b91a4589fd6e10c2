"""What the models object to, in words: reads the allowed values out of the JSON Schema of the file."""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import cache
from typing import Any

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from agent.settings.configuration import json_schema
from agent.settings.faults import ConfigFault, Finder, nearest, shown
from agent.settings.toml_lines import Where


def faults_of(error: ValidationError, finder: Finder) -> list[ConfigFault]:
    """One fault for each objection of the models."""
    details = error.errors(include_url=False)
    places = {detail["loc"][:length] for detail in details for length in range(len(detail["loc"]))}
    # A list counts as too short when its items are wrong: that is said of the items already.
    return [
        _fault(detail, finder)
        for detail in details
        if detail["type"] != "too_short" or detail["loc"] not in places
    ]


def _fault(detail: ErrorDetails, finder: Finder) -> ConfigFault:
    where: Where = _without_marks(detail["loc"], finder)
    key = str(where[-1]) if where else ""
    if detail["type"] == "missing":
        return finder.fault(where, found="nothing", allowed=_allowed(where) + " (it must be given)")
    if detail["type"] == "extra_forbidden":
        # The value is not repeated: people put passwords where they do not belong.
        keys = _keys(where[:-1])
        allowed = "one of " + ", ".join(keys) if keys else "nothing here"
        hint = nearest(key, keys) or _home_of(key)
        return finder.fault(where, found="a key that is not known here", allowed=allowed, hint=hint)
    found = shown(detail["input"]) if not key.endswith("_file") else "something else"
    if detail["type"] == "rule":
        if isinstance(detail["input"], Mapping):
            found = _members_named(detail["input"], detail["msg"]) or found
        return finder.fault(where, found=found, allowed=detail["msg"])
    if detail["type"] == "finite_number":
        return finder.fault(where, found=found, allowed="a finite number; " + _allowed(where))
    if detail["type"] == "literal_error" and isinstance(detail["input"], str):
        words = [str(word) for word in _schema(where).get("enum", ())]
        return finder.fault(where, found=found, allowed=_allowed(where), hint=nearest(detail["input"], words))
    return finder.fault(where, found=found, allowed=_allowed(where))


def _members_named(table: Mapping[str, Any], rule: str) -> str:
    """Those members of a table that a rule about several of them names; numbers with their value."""
    named = [key for key in table if re.search(rf"\b{re.escape(key)}\b", rule)]
    return " and ".join(
        f"{key} {shown(table[key])}" if type(table[key]) in (int, float) else key for key in named
    )


def _without_marks(location: tuple[int | str, ...], finder: Finder) -> Where:
    # For the key of a dictionary pydantic adds a "[key]" that is no part of the document.
    return tuple(step for step in location if step != "[key]" or finder.value(location) is not None)


@cache
def _whole() -> dict[str, Any]:
    return json_schema()


def _schema(where: Where) -> Mapping[str, Any]:
    """The part of the JSON Schema that describes a member; empty where nothing does."""
    here = _resolved(_whole())
    for step in where:
        if isinstance(step, int):
            here = here.get("items", {})
        else:
            here = here.get("properties", {}).get(step) or _of_any_key(here)
        here = _resolved(here) if isinstance(here, Mapping) else {}
    return here


def _of_any_key(part: Mapping[str, Any]) -> Any:
    """What a table with free keys holds under each of them."""
    patterns = part.get("patternProperties", {})
    return next(iter(patterns.values()), None) or part.get("additionalProperties") or {}


def _resolved(part: Mapping[str, Any]) -> Mapping[str, Any]:
    if "$ref" in part:
        return _resolved({**_whole()["$defs"][part["$ref"].rsplit("/", 1)[-1]], **_except(part, "$ref")})
    if "anyOf" in part:
        real = next(option for option in part["anyOf"] if option.get("type") != "null")
        return _resolved({**real, **_except(part, "anyOf")})
    return part


def _except(part: Mapping[str, Any], key: str) -> dict[str, Any]:
    return {name: value for name, value in part.items() if name != key}


def _keys(where: Where) -> tuple[str, ...]:
    return tuple(_schema(where).get("properties", {}))


def _home_of(key: str) -> str:
    """The section that a key belongs to, where exactly one has it."""
    homes = [name for name in _whole()["properties"] if key in _keys((name,)) or key in _keys((name, 0))]
    return f"{key} in [{homes[0]}]" if len(homes) == 1 else ""


def _allowed(where: Where) -> str:
    part = _schema(where)
    kind = part.get("type")
    if "enum" in part:
        return "one of " + ", ".join(shown(word) for word in part["enum"])
    if kind in {"number", "integer"}:
        return ("a whole number" if kind == "integer" else "a number") + _bounds(part)
    if kind == "boolean":
        return "true or false"
    if kind == "array":
        return "a list" + _between(part.get("minItems"), part.get("maxItems"), "entries")
    if kind == "object":
        return "a table"
    if kind == "string":
        return "text" + _between(part.get("minLength"), part.get("maxLength"), "characters")
    return "something else"


def _bounds(part: Mapping[str, Any]) -> str:
    bounds = [
        word.format(part[name])
        for name, word in (
            ("exclusiveMinimum", "more than {:g}"),
            ("minimum", "at least {:g}"),
            ("exclusiveMaximum", "less than {:g}"),
            ("maximum", "at most {:.12g}"),
        )
        if name in part
    ]
    return (", " if bounds else "") + " and ".join(bounds)


def _between(low: int | None, high: int | None, what: str) -> str:
    if low is None and high is None:
        return ""
    return f" of {low or 0} to {high} {what}" if high is not None else f" of at least {low} {what}"
