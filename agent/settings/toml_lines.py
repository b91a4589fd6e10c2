"""Which line of a TOML text each member stands on.

`tomllib` reads values and forgets where they stood. This walks a text that `tomllib` has already accepted,
so it need not check the grammar again, only keep count of keys and lines.
"""

from __future__ import annotations

import contextlib
import re
import tomllib
from typing import TypeAlias

Where: TypeAlias = tuple[str | int, ...]
"""The path of a member: ("setups", 1, "tolerance_pct")."""

_BLANK = re.compile(r"(?:[ \t\r\n]+|#[^\n]*)*")
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_STRINGS = (
    re.compile(r'"""(?:[^\\]|\\.)*?"{3,5}', re.DOTALL),
    re.compile(r"'''.*?'{3,5}", re.DOTALL),
    re.compile(r'"(?:[^"\\\n]|\\.)*"'),
    re.compile(r"'[^'\n]*'"),
)
_SCALAR = re.compile(r"[^,\]}\r\n#]+")


def lines_of(text: str) -> dict[Where, int]:
    """The line (the first is 1) of every member of a valid TOML text.

    Members are tables, keys and the items of lists. A text that is not valid gives what was found
    until then, or nothing.
    """
    walk = _Walk(text)
    with contextlib.suppress(_LostError, RecursionError):
        walk.document()
    return walk.lines


class _LostError(Exception):
    """The text is not what a valid text would be here."""


class _Walk:
    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.counted_to = 0
        self.line = 1
        self.lines: dict[Where, int] = {}
        self.items: dict[Where, int] = {}
        """How many [[tables]] of each path there were."""

    def document(self) -> None:
        table: Where = ()
        while self._blank():
            if self._took("[["):
                table = self._header(is_list=True)
            elif self._took("["):
                table = self._header(is_list=False)
            else:
                self._member(table)

    def _header(self, *, is_list: bool) -> Where:
        path: Where = ()
        line = self._line()
        keys = self._key()
        for number, key in enumerate(keys):
            path = (*path, key)
            is_last = number == len(keys) - 1
            self.lines.setdefault(path, line)
            if is_last and is_list:
                self.items[path] = self.items.get(path, 0) + 1
            if path in self.items:
                path = (*path, self.items[path] - 1)
                self.lines.setdefault(path, line)
        self._blank()
        self._expect("]]" if is_list else "]")
        return path

    def _member(self, table: Where) -> None:
        line = self._line()
        path = table
        for key in self._key():
            path = (*path, key)
            self.lines.setdefault(path, line)
        self._expect("=")
        self._value(path)

    def _key(self) -> list[str]:
        keys = []
        while True:
            self._blank()
            bare = _BARE_KEY.match(self.text, self.at)
            if bare:
                keys.append(bare[0])
                self.at = bare.end()
            else:
                keys.append(self._string())
            self._blank()
            if not self._took("."):
                return keys

    def _value(self, path: Where) -> None:
        self._blank()
        self.lines.setdefault(path, self._line())
        if self._took("["):
            item = 0
            while self._blank() and not self._took("]"):
                self._value((*path, item))
                item += 1
                self._blank()
                self._took(",")
        elif self._took("{"):
            while self._blank() and not self._took("}"):
                self._member(path)
                self._blank()
                self._took(",")
        elif self.text[self.at : self.at + 1] in {'"', "'"}:
            self._skip_string()
        else:
            self._skip(_SCALAR)

    def _string(self) -> str:
        start = self.at
        self._skip_string()
        try:
            value = tomllib.loads("k = " + self.text[start : self.at])["k"]
        except tomllib.TOMLDecodeError:
            raise _LostError from None
        if not isinstance(value, str):
            raise _LostError
        return value

    def _skip_string(self) -> None:
        for pattern in _STRINGS:
            found = pattern.match(self.text, self.at)
            if found:
                self.at = found.end()
                return
        raise _LostError

    def _skip(self, pattern: re.Pattern[str]) -> None:
        found = pattern.match(self.text, self.at)
        if not found:
            raise _LostError
        self.at = found.end()

    def _blank(self) -> bool:
        """Skip blanks and comments; whether anything is left."""
        self._skip(_BLANK)
        return self.at < len(self.text)

    def _took(self, mark: str) -> bool:
        if self.text.startswith(mark, self.at):
            self.at += len(mark)
            return True
        return False

    def _expect(self, mark: str) -> None:
        if not self._took(mark):
            raise _LostError

    def _line(self) -> int:
        self.line += self.text.count("\n", self.counted_to, self.at)
        self.counted_to = self.at
        return self.line
