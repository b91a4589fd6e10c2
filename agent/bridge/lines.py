"""What a serial scale writes, read: bytes in, readings or faults out. No port, no clock.

A number is only read from a whole line: one that began after a terminator, ended with a terminator, and
matches the configured form from its first to its last character. What is not whole is a fault, never a
number, and reading goes on with the next line.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal, TypeAlias

FaultCode: TypeAlias = Literal["half_line", "noise", "too_long", "no_match", "number", "unit"]

_NUMBER = re.compile(r"[0-9]{1,15}(?:[.][0-9]{0,15})?|[.][0-9]{1,15}", re.ASCII)
_SIGNED = re.compile(r"([+-]?)\s*(.*)", re.ASCII | re.DOTALL)
_UNITS = {
    "g": "g", "kg": "kg", "mg": "mg", "oz": "oz", "lb": "lb",
    "gr": "g", "gm": "g", "ozs": "oz", "lbs": "lb",
}  # fmt: skip
"""Words for units that scales write (common practice, no source)."""
_SHOWN = 80


@dataclass(frozen=True, slots=True)
class Line:
    """One reading, as the scale wrote it."""

    value: float | None
    """In `unit`; None when the scale is overloaded."""
    unit: str
    stable: bool | None
    """None where the form says nothing about it."""
    overload: bool = False


@dataclass(frozen=True, slots=True)
class BadLine:
    """A line that was not read."""

    code: FaultCode
    text: str
    """What was wrong, with at most 80 bytes of the line."""


@dataclass(frozen=True, slots=True)
class Form:
    """How a line is told from the next, and what it must look like."""

    pattern: re.Pattern[str]
    """Must match the whole line without its terminator; see `agent.settings.line_pattern`."""
    terminator: bytes = b"\r\n"
    longest: int = 64
    """Bytes before the terminator; bounds both the memory and the time of a match."""
    unit: str = "g"
    """Of a line that names none."""


@dataclass(frozen=True, slots=True)
class Found:
    """A line or a fault, and where in what was fed it ended."""

    what: Line | BadLine
    bytes_after: int
    """Bytes of the same feed that came after the line's end: they say how long ago it ended."""


def read_line(form: Form, raw: bytes) -> Line | BadLine:
    """The reading in one whole line, given without its terminator."""
    if len(raw) > form.longest:
        return BadLine("too_long", f"more than {form.longest} bytes without a terminator: {_shown(raw)}")
    if not raw.isascii():
        return BadLine("noise", f"bytes that are no ASCII (look at baud, bytesize and parity): {_shown(raw)}")
    match = form.pattern.fullmatch(raw.decode("ascii"))
    if match is None:
        return BadLine("no_match", f"the line does not have the configured form: {_shown(raw)}")
    return _reading(form, match.groupdict(), raw)


def _reading(form: Form, groups: dict[str, str | None], raw: bytes) -> Line | BadLine:
    word = (groups.get("unit") or "").strip()
    unit = _UNITS.get(word.lower()) if word else form.unit
    if unit is None:
        return BadLine("unit", f"the unit {word!r} is no mass (is the scale in another mode?): {_shown(raw)}")
    stable = bool((groups["stable"] or "").strip()) if "stable" in groups else None
    if (groups.get("overload") or "").strip():
        return Line(None, unit, False if stable is not None else None, overload=True)
    value = _number(groups.get("sign"), groups.get("value"))
    if value is None:
        return BadLine("number", f"no number where the form has its value: {_shown(raw)}")
    return Line(value, unit, stable)


def _number(sign: str | None, text: str | None) -> float | None:
    found = _SIGNED.fullmatch((text or "").strip())
    if found is None:
        return None
    inner_sign, digits = found.groups()
    digits = digits.replace(",", ".")
    if _NUMBER.fullmatch(digits) is None:
        return None
    negative = ((sign or "").strip() == "-") != (inner_sign == "-")
    # A scale may write -0.0; two zeros that differ would be one more thing to explain.
    return -float(digits) if negative and float(digits) != 0 else float(digits)


def _shown(raw: bytes) -> str:
    return repr(raw[:_SHOWN])


class Splitter:
    """Cuts a stream of bytes into lines. Where the stream is split does not matter.

    What stands before the first terminator after a beginning, or after a break, may be the tail of a line
    and is dropped.
    """

    def __init__(self, form: Form) -> None:
        self.form = form
        self._held = bytearray()
        self._whole = False
        """Whether what is held began right after a terminator."""
        self._overrun = False
        """Whether what is held is the end of more than a line can have."""

    def feed(self, data: bytes) -> Iterator[Found]:
        """Whatever became whole with these bytes, in order."""
        end = self.form.terminator
        self._held += data
        while (position := self._held.find(end)) >= 0:
            raw = bytes(self._held[:position])
            del self._held[: position + len(end)]
            what = self._ended(raw)
            self._whole, self._overrun = True, False
            if what is not None:
                yield Found(what, len(self._held))
        # What may be the first half of a terminator counts for the line only once it proves to be none.
        if len(self._held) >= self.form.longest + len(end):
            del self._held[: len(self._held) - len(end) + 1]
            if not self._overrun:
                self._overrun = True
                yield Found(self._too_long(), 0)

    def _ended(self, raw: bytes) -> Line | BadLine | None:
        if self._overrun:
            return None
        if len(raw) > self.form.longest:
            return self._too_long()
        return read_line(self.form, raw) if self._whole else None

    def _too_long(self) -> BadLine:
        return BadLine("too_long", f"more than {self.form.longest} bytes without the configured terminator")

    def broken(self) -> BadLine | None:
        """The stream paused or ended: drop the line that had begun, and its rest if that is still to come."""
        if not self._held and not self._overrun:
            return None
        held, whole = bytes(self._held), self._whole and not self._overrun
        self._held.clear()
        self._whole = self._overrun = False
        return BadLine("half_line", f"the line broke off: {_shown(held)}") if whole else None

    def restart(self) -> None:
        """A new stream begins, perhaps in the middle of a line."""
        self._held.clear()
        self._whole = self._overrun = False

    @property
    def in_line(self) -> bool:
        """Whether a line has begun and not ended."""
        return bool(self._held) or self._overrun
