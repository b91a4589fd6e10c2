"""Patterns of a serial scale's line: the ready ones, and the checks that a pattern of one's own must pass.

A pattern must match the whole line without its terminator. Its named groups say what is what:

- `value` (required): the number, blanks around it allowed, `.` or `,` as the decimal sign;
- `sign`: `-` makes the value negative;
- `unit`: `g`, `kg`, `mg`, `oz` or `lb`; where it is blank or not there, the configured unit counts;
- `stable`: the reading is stable when this group holds something that is no blank;
- `overload`: the scale is overloaded when this group holds something; the value is then not read.

The ready patterns have fixed widths: a line that lost a character has another length, and so does not match,
where a looser pattern would read a smaller number.
"""

from __future__ import annotations

import re
import time
from collections.abc import Iterator
from importlib import import_module
from typing import Any

GROUPS = ("sign", "value", "unit", "stable", "overload")

PROFILES: dict[str, str] = {
    # `ST,GS,+00012.34  g`, `US,NT,-    3.10  g`, `OL,GS,+--------  g`
    "status-first": (
        r"(?:(?P<stable>ST)|US|(?P<overload>OL)),[A-Z]{2},"
        r"(?P<sign>[+-])(?P<value>[ 0-9.-]{8})(?P<unit>[ a-zA-Z]{3})"
    ),
    # `+     12.34 g  ` when stable, `+     12.34    ` while it moves, `          H    ` when overloaded
    "unit-when-stable": (
        r"(?:(?P<sign>[ +-])(?P<value>[ 0-9.]{10})| {1,10}(?P<overload>[A-Z-]{1,8}) {0,10}) "
        r"(?P<stable>(?P<unit>[ a-zA-Z]{3}))"
    ),
    # `+   12.34`, `-    3.10`, `---------` when overloaded
    "number-only": r"(?P<sign>[ +-])(?P<value>[ 0-9.]{8})|(?P<overload>[-_]{9}|[ +-][ A-Z]{8})",
}
"""Ready patterns, named by the shape of the line."""

TIME_ALLOWED_S = 0.02
"""A match that takes longer on the longest line allowed would hold up the readings behind it."""


def compiled(pattern: str) -> re.Pattern[str]:
    """The pattern, compiled; ASCII only. Raises ValueError where it is no regular expression."""
    try:
        return re.compile(pattern, re.ASCII)
    except (re.error, RecursionError, OverflowError) as fault:
        raise ValueError(f"this is no regular expression: {fault}") from fault


def check_pattern(pattern: str, longest: int) -> None:
    """Raise ValueError where a pattern cannot serve for lines of at most `longest` characters.

    It must name `value` and no group that means nothing here, must not match an empty line, and must
    decide quickly on every line: nested repeats such as `(a+)+` take time that doubles with each character.
    """
    form = compiled(pattern)
    strange = sorted(set(form.groupindex) - set(GROUPS))
    if strange:
        raise ValueError(f"unknown group {strange[0]!r}; the groups are {', '.join(GROUPS)}")
    if "value" not in form.groupindex:
        raise ValueError("the group (?P<value>...) is missing: it says where the number stands")
    if form.fullmatch("") is not None:
        raise ValueError("the pattern matches an empty line, so that noise would count as a reading")
    _check_speed(form, longest)


def _check_speed(form: re.Pattern[str], longest: int) -> None:
    for begin, middle in set(_stretched(_tree(form.pattern))):
        # Short lines first: where the time explodes, it is seen long before it takes minutes.
        for length in range(4, longest + 1, 2):
            text = (begin + middle * length)[: longest - 1] + "\x00"
            began_s = time.perf_counter()
            form.fullmatch(text)
            if time.perf_counter() - began_s < TIME_ALLOWED_S:
                continue
            # A busy machine is no fault of the pattern: measure once more before it is refused.
            began_s = time.perf_counter()
            form.fullmatch(text)
            if time.perf_counter() - began_s >= TIME_ALLOWED_S:
                raise ValueError(
                    f"the pattern takes too long to decide on lines such as {text[:24]!r}; "
                    "write fixed widths, and no repeat within a repeat"
                )


def _tree(pattern: str) -> Any:
    # The standard library's own parser: the only reader of a pattern that agrees with `re` by construction.
    return import_module("re._parser").parse(pattern, re.ASCII)


def _stretched(tree: Any) -> Iterator[tuple[str, str]]:
    """For each repeat of a pattern: a text that leads to it, and one turn of it, to be stretched."""
    begin = ""
    for code, argument in tree:
        name = str(code)
        if name in {"MAX_REPEAT", "MIN_REPEAT", "POSSESSIVE_REPEAT"}:
            body = argument[2]
            yield begin, _sample(body)
            for inner_begin, inner in _stretched(body):
                yield begin + inner_begin, inner
        for part in _parts(name, argument):
            for inner_begin, inner in _stretched(part):
                yield begin + inner_begin, inner
        begin += _sample([(code, argument)])


def _parts(name: str, argument: Any) -> list[Any]:
    if name == "SUBPATTERN":
        return [argument[3]]
    if name == "BRANCH":
        return list(argument[1])
    if name == "ATOMIC_GROUP":
        return [argument]
    if name in {"ASSERT", "ASSERT_NOT"}:
        return [argument[1]]
    return []


def _sample(tree: Any) -> str:
    """A short text that a parsed pattern matches, as far as that can be said simply."""
    return "".join(_one(str(code), argument) for code, argument in tree)


def _one(name: str, argument: Any) -> str:
    if name == "LITERAL":
        return chr(argument)
    if name == "IN":
        return next((text for item in argument if (text := _member(str(item[0]), item[1]))), "x")
    if name in {"ANY", "NOT_LITERAL"}:
        return "x"
    if name in {"MAX_REPEAT", "MIN_REPEAT", "POSSESSIVE_REPEAT"}:
        return _sample(argument[2]) * max(1, min(argument[0], 64)) if argument[1] else ""
    parts = _parts(name, argument)
    return _sample(parts[0]) if parts else ""


def _member(name: str, argument: Any) -> str:
    if name == "LITERAL":
        return chr(argument)
    if name == "RANGE":
        return chr(argument[0])
    return {"CATEGORY_DIGIT": "0", "CATEGORY_SPACE": " ", "CATEGORY_WORD": "a"}.get(str(argument), "")
