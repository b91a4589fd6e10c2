"""Inputs of a controller or a scale that speaks other topics or other JSON than the contract's."""

from __future__ import annotations

from typing import Annotated, Any, Literal, TypeAlias

import jmespath
import jmespath.exceptions
from jmespath.functions import Functions
from pydantic import AfterValidator, Field

from agent.settings.section import Section, Topic, TopicName, rule

Kind: TypeAlias = Literal["reading", "event", "pressure", "temperature", "reply"]

IGNORE = "ignore"
"""What `values` gives for an event that means nothing to the agent."""

MEMBERS: dict[str, tuple[str, ...]] = {
    "reading": ("value", "unit", "t", "stable", "seq", "overload"),
    "event": (
        "event",
        "t",
        "id",
        "gun",
        "purpose",
        "setup",
        "setting",
        "part",
        "scale",
        "ready",
        "reason",
    ),
    "pressure": ("value", "unit", "t"),
    "temperature": ("value", "unit", "t"),
    "reply": ("id", "accepted", "reason"),
}
"""The contract's members that `fields` may fill, by kind of input."""

NEEDED: dict[str, tuple[str, ...]] = {
    "reading": ("value",),
    "event": ("event",),
    "pressure": ("value",),
    "temperature": ("value",),
    "reply": ("id", "accepted"),
}
"""The members that `fields` must fill once it is given."""


def _compiles(text: str) -> str:
    try:
        unknown = _functions(jmespath.compile(text).parsed) - set(Functions.FUNCTION_TABLE)
    except (jmespath.exceptions.JMESPathError, ValueError, RecursionError) as fault:
        raise rule(f"a JMESPath expression; {' '.join(str(fault).split())[:120]}") from None
    if unknown:
        # The compiler takes any name; at work each message would be refused.
        raise rule(f"a JMESPath expression; it has no function called {', '.join(sorted(unknown))[:120]}")
    return text


def _functions(node: Any) -> set[str]:
    """Names of the functions that an expression calls."""
    if not isinstance(node, dict):
        return set()
    own = {str(node["value"])} if node["type"] == "function_expression" else set()
    return own.union(*(_functions(child) for child in node["children"]))


Path: TypeAlias = Annotated[str, Field(min_length=1, max_length=1000), AfterValidator(_compiles)]
Word: TypeAlias = Annotated[str, Field(max_length=100)]


class Form(Section):
    """A topic and a form of JSON that are not the contract's. What is left out is as in the contract."""

    topic: Topic | None = None
    """The topic, as the broker knows it; the contract's own where it is left out."""
    fields: dict[str, Path] = Field(default_factory=dict)
    """For each member of the contract a JMESPath into the payload. Once any is given, only those are read."""
    t_unit: Literal["auto", "s", "ms", "us", "ns"] = "auto"
    """Unit of numbers in t: auto takes RFC 3339 text or epoch seconds."""
    unit: Annotated[str, Field(min_length=1, max_length=20)] | None = None
    """Unit of the value where the payload does not say it: g kg mg oz lb, bar kPa psi MPa, C F K."""
    values: dict[str, dict[str, Word]] = Field(default_factory=dict)
    """For each member, their words and ours: event = { "VALVE_ON" = "gun_opened", "ALIVE" = "ignore" }."""

    @property
    def is_own(self) -> bool:
        """Whether anything was said here at all."""
        return bool(self.model_fields_set & set(Form.model_fields))


class InputSection(Form):
    """An input of a cell, in the long form."""

    kind: Kind
    """What comes in: reading, event, pressure, temperature or reply."""
    scale: TopicName | None = None
    """The scale, for a reading."""
