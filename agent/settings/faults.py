"""What is wrong with a configuration, and how to mend it: where, what was found, what is allowed."""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from agent.settings.toml_lines import Where

_CREDENTIALS = re.compile(r"//[^/@\s]*@")

LONGEST = 80
"""Characters of a value that a message repeats."""


@dataclass(frozen=True, slots=True)
class ConfigFault:
    """One fault of a configuration."""

    path: str
    """The member, as `setups[1].tolerance_pct`; empty for the file as a whole."""
    name: str
    """Names of the entries on the way, as `impeller-barrier`; empty where there are none."""
    line: int | None
    """The member's line, or that of the table it is missing from; None where it cannot be known."""
    found: str
    """What was found."""
    allowed: str
    """What is allowed."""
    hint: str = ""
    """The nearest valid key or name, where there is one."""

    def __str__(self) -> str:
        where = self.path or "the file"
        if self.name:
            where += f" ({self.name})"
        line = f"line {self.line}: " if self.line is not None else ""
        hint = f". Did you mean {self.hint}?" if self.hint else ""
        return f"{line}{where}: found {self.found}; allowed: {self.allowed}{hint}"


class BadConfiguration(Exception):  # noqa: N818 - it reads as what it is
    """A configuration that cannot be used, with every fault that was found in it."""

    def __init__(self, file: Path, faults: tuple[ConfigFault, ...]) -> None:
        self.file = file
        self.faults = faults
        count = "1 fault" if len(faults) == 1 else f"{len(faults)} faults"
        super().__init__("\n".join([f"{file}: {count}", *(f"  {fault}" for fault in faults)]))


class Finder:
    """Makes faults of one file: knows its lines and the names of its entries."""

    def __init__(self, document: Mapping[str, Any], lines: Mapping[Where, int]) -> None:
        self._document = document
        self._lines = lines

    def fault(self, where: Where, *, found: str, allowed: str, hint: str = "") -> ConfigFault:
        """A fault of the member at `where`."""
        # Names and keys of a file may be of any length; a message may not.
        return ConfigFault(
            spelled(where),
            self._names(where),
            self.line(where),
            _cut(_on_one_line(found), 2 * LONGEST),
            _cut(_on_one_line(allowed), 10 * LONGEST),
            _cut(_on_one_line(hint), LONGEST),
        )

    def value(self, where: Where) -> Any:
        """What stands at `where`; None where there is nothing."""
        here: Any = self._document
        for step in where:
            try:
                here = here[step]
            except (KeyError, IndexError, TypeError):
                return None
        return here

    def line(self, where: Where) -> int | None:
        """The line of a member, or of the nearest table around it."""
        for length in range(len(where), 0, -1):
            line = self._lines.get(where[:length])
            if line is not None:
                return line
        return None

    def _names(self, where: Where) -> str:
        names = []
        for length in range(1, len(where) + 1):
            if isinstance(where[length - 1], int):
                entry = self.value(where[:length])
                name = (entry.get("id") or entry.get("name")) if isinstance(entry, Mapping) else None
                if isinstance(name, str):
                    names.append(shown(name).strip("'\""))
        return ", ".join(names)


def spelled(where: Where) -> str:
    """A path as text: `cells[0].guns[1].scale`."""
    text = ""
    for step in where:
        if isinstance(step, int):
            text += f"[{step}]"
        else:
            text += ("." if text else "") + (step if step.isprintable() else repr(step))[:LONGEST]
    return text


def shown(value: object) -> str:
    """A value as a message repeats it: short, on one line, without the user and password of an address."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, Mapping):
        return "a table"
    if isinstance(value, (list, tuple)):
        return f"a list of {len(value)}"
    if isinstance(value, (str, int, float)):
        text = str(value) if isinstance(value, str) else repr_of_number(value)
        text = _cut(_CREDENTIALS.sub("//***@", text), LONGEST)
        return repr(text) if isinstance(value, str) else text
    return str(value)[:LONGEST]


def _on_one_line(text: str) -> str:
    """A text that may hold names out of the file: what cannot be printed is spelled out."""
    if text.isprintable():
        return text
    return "".join(letter if letter.isprintable() else repr(letter)[1:-1] for letter in text)


def _cut(text: str, longest: int) -> str:
    return text if len(text) <= longest else text[: longest - 3] + "..."


def repr_of_number(value: float) -> str:
    """A number as text, also where it has more digits than Python writes."""
    try:
        return repr(value)
    except ValueError:
        return "a number of thousands of digits"


def nearest(word: str, candidates: Mapping[str, Any] | tuple[str, ...] | list[str]) -> str:
    """The candidate that looks most like a word; empty where none does."""
    near = difflib.get_close_matches(word, list(candidates), n=1, cutoff=0.6)
    return near[0] if near else ""
