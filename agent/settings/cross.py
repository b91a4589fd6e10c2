"""Faults between the parts of a file: names that refer to nothing, and names used twice.

They are looked for in the document as it was read, before it is known whether each part is right in itself,
so that one run tells every fault.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from agent.contract.fluids import ALIASES, KNOWN, known_fluid
from agent.settings.faults import ConfigFault, Finder, nearest, shown
from agent.settings.foreign import input_faults
from agent.settings.reach import names_in, tables, text
from agent.settings.toml_lines import Where


def cross_faults(document: Mapping[str, Any], finder: Finder) -> Iterator[ConfigFault]:
    """Every fault between the parts of a document."""
    yield from _twice(document, (), "setups", "name", finder)
    yield from _twice(document, (), "fluids", "name", finder)
    yield from _twice(document, (), "cells", "id", finder)
    yield from _setup_faults(document, finder)
    setups = names_in(document, "setups", "name")
    for number, cell in tables(document, "cells"):
        where: Where = ("cells", number)
        yield from _cell_faults(cell, where, setups, finder)
    yield from input_faults(document, finder)


def _setup_faults(document: Mapping[str, Any], finder: Finder) -> Iterator[ConfigFault]:
    configured = names_in(document, "fluids", "name")
    guns = [name for _, cell in tables(document, "cells") for name in names_in(cell, "guns", "id")]
    for number, setup in tables(document, "setups"):
        fluid = text(setup, "fluid")
        if fluid is not None and fluid not in configured and known_fluid(fluid) is None:
            yield finder.fault(
                ("setups", number, "fluid"),
                found=shown(fluid),
                allowed=f"a known fluid ({', '.join(KNOWN)}) or the name of a [[fluids]] entry",
                hint=nearest(fluid.lower(), [*configured, *KNOWN, *ALIASES]),
            )
        settings = setup.get("needle_settings")
        for gun in settings if isinstance(settings, Mapping) else ():
            if gun not in guns:
                yield finder.fault(
                    ("setups", number, "needle_settings", gun),
                    found=f"the gun {shown(gun)}",
                    allowed="a gun of a cell in this file",
                    hint=nearest(gun, guns),
                )


def _cell_faults(
    cell: Mapping[str, Any], where: Where, setups: list[str], finder: Finder
) -> Iterator[ConfigFault]:
    if text(cell, "id") == "agent":
        yield finder.fault(
            (*where, "id"),
            found="'agent'",
            allowed="another name: the agent's own state stands on the topic {root}/agent",
        )
    yield from _twice(cell, where, "scales", "id", finder)
    yield from _twice(cell, where, "guns", "id", finder)
    yield from _twice(cell, where, "shifts", "name", finder)
    scales = names_in(cell, "scales", "id")
    for number, gun in tables(cell, "guns"):
        yield from _refers(gun, (*where, "guns", number, "scale"), scales, "a scale of this cell", finder)
    for number, shift in tables(cell, "shifts"):
        yield from _refers(shift, (*where, "shifts", number, "setup"), setups, "a setup of this file", finder)


def _refers(
    entry: Mapping[str, Any], where: Where, names: list[str], what: str, finder: Finder
) -> Iterator[ConfigFault]:
    name = text(entry, str(where[-1]))
    if name is not None and name not in names:
        listed = (
            f"{what} ({', '.join(list(dict.fromkeys(names))[:20])})"
            if names
            else f"{what}, but there is none"
        )
        yield finder.fault(where, found=shown(name), allowed=listed, hint=nearest(name, names))


def _twice(
    parent: Mapping[str, Any], where: Where, entries: str, key: str, finder: Finder
) -> Iterator[ConfigFault]:
    first: dict[str, int] = {}
    for number, entry in tables(parent, entries):
        name = text(entry, key)
        if name is None:
            continue
        if name in first:
            yield finder.fault(
                (*where, entries, number, key),
                found=f"{shown(name)}, which {entries}[{first[name]}] is already called",
                allowed="a name of its own",
            )
        first.setdefault(name, number)
