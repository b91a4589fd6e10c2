"""Reaches into a document of which nothing is known yet but that it is TOML."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any


def tables(parent: Mapping[str, Any], key: str) -> Iterator[tuple[int, Mapping[str, Any]]]:
    """The tables of a list of tables with their numbers; nothing where it is no such list."""
    entries = parent.get(key)
    if isinstance(entries, list):
        for number, entry in enumerate(entries):
            if isinstance(entry, Mapping):
                yield number, entry


def text(entry: Mapping[str, Any], key: str) -> str | None:
    """The text under a key; None where there is none."""
    value = entry.get(key)
    return value if isinstance(value, str) else None


def table(entry: Mapping[str, Any], key: str) -> Mapping[str, Any]:
    """The table under a key; an empty one where there is none."""
    value = entry.get(key)
    return value if isinstance(value, Mapping) else {}


def names_in(parent: Mapping[str, Any], entries: str, key: str) -> list[str]:
    """The names of the tables of a list."""
    return [name for _, entry in tables(parent, entries) if (name := text(entry, key)) is not None]
