"""Faults of inputs that name their own topic or their own fields."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, get_args

from agent.contract.inputs import EventName, Part, Purpose
from agent.contract.topics import Topics
from agent.contract.units import BARS, CELSIUS, GRAMS
from agent.settings.faults import ConfigFault, Finder, nearest, shown
from agent.settings.inputs import IGNORE, MEMBERS, NEEDED
from agent.settings.reach import names_in, table, tables, text
from agent.settings.toml_lines import Where

UNITS: Mapping[str, Mapping[str, Any]] = {"reading": GRAMS, "pressure": BARS, "temperature": CELSIUS}
"""Units by kind of input."""

SHORT_FORMS = {
    "controller": "event",
    "pot": "pressure",
    "fluid_temperature": "temperature",
    "reply": "reply",
}
"""Kinds of the tables that stand directly in a cell."""

_TRUTH = ("true", "false")


@dataclass(frozen=True, slots=True)
class _Said:
    """One place where an input is described."""

    where: Where
    entry: Mapping[str, Any]
    kind: str
    scale: str | None = None

    @property
    def is_own(self) -> bool:
        return any(key in self.entry for key in ("topic", "fields", "t_unit", "unit", "values"))

    @property
    def has_fields(self) -> bool:
        return bool(self.entry.get("fields"))


def input_faults(document: Mapping[str, Any], finder: Finder) -> Iterator[ConfigFault]:
    """Every fault of the inputs of all cells, topics that two of them share included."""
    root = text(table(document, "mqtt"), "root")
    topics = Topics(root) if root is not None else None
    heard: dict[str, _Said] = {}
    for number, cell in tables(document, "cells"):
        places = list(_places(cell, ("cells", number)))
        yield from _long_form_faults(cell, ("cells", number), finder)
        for said in places:
            yield from _form_faults(said, cell, finder)
        yield from _said_twice(places, finder)
        yield from _shared(places, text(cell, "id"), topics, heard, finder)
        if cell.get("has_controller") is False:
            yield from _not_without_controller(places, finder)


def _places(cell: Mapping[str, Any], where: Where) -> Iterator[_Said]:
    for number, scale in tables(cell, "scales"):
        yield _Said((*where, "scales", number), scale, "reading", text(scale, "id"))
    for key, kind in SHORT_FORMS.items():
        if isinstance(cell.get(key), Mapping):
            yield _Said((*where, key), cell[key], kind)
    for number, entry in tables(cell, "inputs"):
        kind_said = text(entry, "kind")
        if kind_said in MEMBERS:
            yield _Said((*where, "inputs", number), entry, kind_said, text(entry, "scale"))


def _long_form_faults(cell: Mapping[str, Any], where: Where, finder: Finder) -> Iterator[ConfigFault]:
    scales = names_in(cell, "scales", "id")
    for number, entry in tables(cell, "inputs"):
        here: Where = (*where, "inputs", number, "scale")
        scale = text(entry, "scale")
        if text(entry, "kind") == "reading" and scale not in scales:
            yield finder.fault(
                here,
                found=shown(scale) if scale is not None else "nothing",
                allowed=f"a scale of this cell ({', '.join(scales[:20])})",
                hint=nearest(scale or "", scales),
            )
        elif text(entry, "kind") in MEMBERS and text(entry, "kind") != "reading" and scale is not None:
            yield finder.fault(here, found=shown(scale), allowed="a scale only where kind is reading")


def _form_faults(said: _Said, cell: Mapping[str, Any], finder: Finder) -> Iterator[ConfigFault]:
    members = MEMBERS[said.kind]
    fields = table(said.entry, "fields")
    for name in (*fields, *table(said.entry, "values")):
        key = "fields" if name in fields else "values"
        if name not in members:
            yield finder.fault(
                (*said.where, key, name),
                found="a member that this kind of input does not have",
                allowed="one of " + ", ".join(members),
                hint=nearest(name, members),
            )
    if fields:
        for name in NEEDED[said.kind]:
            if name not in fields:
                yield finder.fault(
                    (*said.where, "fields", name),
                    found="nothing",
                    allowed="a JMESPath to it: once fields are given, only those are read",
                )
    unit = text(said.entry, "unit")
    units = list(UNITS.get(said.kind, ()))
    if unit is not None and unit not in units:
        allowed = "one of " + ", ".join(units) if units else "no unit: this kind of input has none"
        yield finder.fault(
            (*said.where, "unit"), found=shown(unit), allowed=allowed, hint=nearest(unit, units)
        )
    for member, words in table(said.entry, "values").items():
        if member in members and isinstance(words, Mapping):
            yield from _word_faults((*said.where, "values", member), words, _ours(member, said, cell), finder)


def _word_faults(
    where: Where, words: Mapping[str, Any], ours: tuple[str, ...], finder: Finder
) -> Iterator[ConfigFault]:
    for theirs, our in words.items():
        if isinstance(our, str) and ours and our not in ours:
            yield finder.fault(
                (*where, theirs),
                found=shown(our),
                allowed="one of " + ", ".join(ours),
                hint=nearest(our, ours),
            )


def _ours(member: str, said: _Said, cell: Mapping[str, Any]) -> tuple[str, ...]:
    """Our words for a member; empty where any text will do."""
    fixed: dict[str, tuple[str, ...]] = {
        "event": (*get_args(EventName), IGNORE),
        "purpose": get_args(Purpose),
        "part": get_args(Part),
        "gun": tuple(names_in(cell, "guns", "id")),
        "scale": tuple(names_in(cell, "scales", "id")),
        "unit": tuple(UNITS.get(said.kind, ())),
    }
    if member in {"accepted", "ready", "stable", "overload"}:
        return _TRUTH
    return fixed.get(member, ())


def _said_twice(places: list[_Said], finder: Finder) -> Iterator[ConfigFault]:
    first: dict[tuple[str, str | None], _Said] = {}
    for said in places:
        if not said.is_own:
            continue
        key = (said.kind, said.scale)
        if key in first:
            yield finder.fault(
                said.where,
                found=f"the same input as in line {finder.line(first[key].where)}",
                allowed="one description of an input",
            )
        first.setdefault(key, said)


def _shared(
    places: list[_Said], cell: str | None, topics: Topics | None, heard: dict[str, _Said], finder: Finder
) -> Iterator[ConfigFault]:
    for said in places:
        topic = text(said.entry, "topic")
        if topic is None:
            continue
        first = heard.setdefault(topic, said)
        if first is not said and not (first.has_fields and said.has_fields):
            # Two readers of one object must each say what is theirs.
            yield finder.fault(
                (*said.where, "topic"),
                found=f"{shown(topic)}, which line {finder.line(first.where)} reads already",
                allowed="a topic that no other input reads, or fields for each input that reads it",
            )
        if topics is not None and cell is not None and _is_said_by_us(topic, cell, topics.root):
            yield finder.fault(
                (*said.where, "topic"),
                found=f"{shown(topic)}, on which the agent itself speaks",
                allowed="a topic of the controller or the scale",
            )


def _is_said_by_us(topic: str, cell: str, root: str) -> bool:
    ours = (f"{root}/{cell}/flow/", f"{root}/{cell}/alert/", f"{root}/{cell}/request", f"{root}/agent/")
    return topic.startswith(ours)


def _not_without_controller(places: list[_Said], finder: Finder) -> Iterator[ConfigFault]:
    for said in places:
        if said.kind in {"event", "reply"}:
            yield finder.fault(
                said.where, found="a controller's input", allowed="none where has_controller is false"
            )
