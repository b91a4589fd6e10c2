"""Reads what a person typed: a wrong word gets one plain line and the nearest right one."""

from __future__ import annotations

import argparse
import difflib
import re
from collections.abc import Iterable, Sequence
from typing import Any, NoReturn

WRONG = 2
"""Exit status of wrong words."""


class Help(argparse.RawDescriptionHelpFormatter):
    """Help with room for the words on the left, and examples as they stand."""

    def __init__(self, prog: str) -> None:
        super().__init__(prog, max_help_position=30)


class Words(argparse.ArgumentParser):
    """An argument parser that says what was wrong, what may have been meant, and where help is."""

    def __init__(self, *args: Any, **more: Any) -> None:
        more.setdefault("formatter_class", Help)
        # Half a word that is understood today means something else tomorrow, in a script.
        more.setdefault("allow_abbrev", False)
        super().__init__(*args, **more)

    def options(self) -> list[str]:
        """Every long option this parser knows."""
        return [name for name in self._option_string_actions if name.startswith("--")]

    def arguments(self) -> list[argparse.Action]:
        """Every option and argument of this parser."""
        return list(self._actions)

    def commands(self) -> dict[str, Words]:
        """The parsers of the commands, by name."""
        found: dict[str, Words] = {}
        for action in self._actions:
            if isinstance(action, argparse._SubParsersAction):
                found |= action.choices
        return found

    def check_options(self, words: Sequence[str]) -> None:
        """Complain of the first long option that is not known: before one is missed that was mistyped."""
        for word in words:
            if word == "--":
                return
            name = word.split("=", 1)[0]
            if word.startswith("--") and name not in self._option_string_actions:
                self.error(f"there is no option {name}{near(name, self.options())}")

    def error(self, message: str) -> NoReturn:
        """Say what is wrong and end with status 2."""
        self.exit(WRONG, f"{self.prog}: {_plain(message)}\nTry: {self.prog} --help\n")


def near(word: str, known: Iterable[str]) -> str:
    """`; did you mean X?` where a known word is like this one, else nothing."""
    found = difflib.get_close_matches(word, list(known), 1, 0.6)
    return f"; did you mean {found[0]}?" if found else ""


def _plain(message: str) -> str:
    """The library's own sentences in plainer words."""
    choice = re.fullmatch(r"argument (.+): invalid choice: '(.*)' \(choose from (.*)\)", message, re.DOTALL)
    if choice is not None:
        option, found, listed = choice.groups()
        known = [word.strip().strip("'\"") for word in listed.split(",")]
        return f"{option} cannot be {found!r}{near(found, known)}\nallowed: {', '.join(known)}"
    missing = re.fullmatch(r"the following arguments are required: (.*)", message)
    if missing is not None:
        return f"{missing[1]} is missing"
    extra = re.fullmatch(r"unrecognized arguments: (.*)", message)
    if extra is not None:
        return f"{extra[1]!r} is one word too many"
    value = re.fullmatch(r"argument (.+): invalid (\w+) value: '(.*)'", message, re.DOTALL)
    if value is not None:
        kind = {"int": "a whole number", "float": "a number"}.get(value[2], value[2])
        return f"{value[1]} cannot be {value[3]!r}; allowed: {kind}"
    return message
