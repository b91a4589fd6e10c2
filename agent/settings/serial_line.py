"""The `serial` table of a scale: how its line is wired, and how what it writes is read."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Annotated, Literal, Self
from urllib.parse import urlsplit

from pydantic import AfterValidator, Field, field_validator, model_validator

from agent.settings.line_pattern import PROFILES, check_pattern, compiled
from agent.settings.section import Section, rule

NETWORK_SCHEMES = ("socket", "rfc2217")


def _stopbits(number: float) -> float:
    if number not in {1.0, 1.5, 2.0}:
        raise rule("1, 1.5 or 2")
    return number


class SerialLine(Section):
    """A scale's serial line. `shotgram bridge` reads it and publishes the readings."""

    port: Annotated[str, Field(min_length=1, max_length=255)]
    """A device (/dev/serial/by-id/... stays the same when the adapter is plugged in elsewhere),
    socket://host:port or rfc2217://host:port."""
    baud: Annotated[int, Field(ge=50, le=4_000_000)] = 9600
    """Bits per second; any rate that the adapter can make."""
    bytesize: Literal[5, 6, 7, 8] = 8
    """Data bits of a character."""
    parity: Literal["none", "even", "odd", "mark", "space"] = "none"
    """Parity of a character; a character that breaks it spoils its line."""
    stopbits: Annotated[float, AfterValidator(_stopbits)] = 1.0
    """Stop bits: 1, 1.5 or 2."""
    profile: Literal["status-first", "unit-when-stable", "number-only"] | None = None
    """The shape of the line, where it is one of the ready ones; else give `pattern`."""
    pattern: Annotated[str, Field(min_length=1, max_length=500)] | None = None
    """A regular expression for the whole line without its terminator; its groups are value, sign, unit,
    stable and overload."""
    terminator: Annotated[str, Field(min_length=1, max_length=4)] = "\r\n"
    """What ends a line. A line without it is never read."""
    longest_line: Annotated[int, Field(ge=8, le=256)] = 64
    """Characters; more without a terminator is noise."""
    poll: Annotated[str, Field(min_length=1, max_length=64)] | None = None
    """What to send to get one reading; leave it out for a scale that sends by itself."""
    poll_period_s: Annotated[float, Field(ge=0.02, le=60.0)] = 0.2
    """Time from one poll to the next, seconds."""
    unit: Literal["g", "kg", "mg", "oz", "lb"] = "g"
    """The unit of a line that names none."""
    qos: Literal[0, 1] = 1
    """Quality of service of the readings: 1 repeats what a broken connection may have lost."""

    @field_validator("port")
    @classmethod
    def _port(cls, port: str) -> str:
        scheme, found, _rest = port.partition("://")
        address = urlsplit(port) if found else None
        try:
            good = (
                bool(re.fullmatch(r"/.+|COM\d+", port))
                if address is None
                else scheme in NETWORK_SCHEMES and bool(address.hostname and address.port)
            )
        except ValueError:
            good = False
        if not good:
            raise rule(
                "a device such as /dev/serial/by-id/..., or socket://host:port, or rfc2217://host:port"
            )
        return port

    @field_validator("terminator", "poll")
    @classmethod
    def _bytes(cls, text: str | None) -> str | None:
        if text is not None and any(ord(character) > 255 for character in text):
            raise rule("characters that each stand for one byte: none above \\u00ff")
        return text

    @model_validator(mode="after")
    def _one_form(self) -> Self:
        if (self.profile is None) == (self.pattern is None):
            raise rule(f"either profile ({', '.join(PROFILES)}) or pattern")
        if self.pattern is not None:
            try:
                check_pattern(self.pattern, self.longest_line)
            except ValueError as fault:
                raise rule(f"a pattern that can be used: {fault}") from fault
        if self.poll is None and "poll_period_s" in self.model_fields_set:
            raise rule("poll (what is sent to the scale) beside poll_period_s")
        return self

    @property
    def form(self) -> re.Pattern[str]:
        """The pattern that the whole line must match."""
        return compiled(self.pattern if self.pattern is not None else PROFILES[self.profile or ""])

    @property
    def over_network(self) -> bool:
        """Whether the line is reached through a serial device server."""
        return self.port.startswith(tuple(f"{scheme}://" for scheme in NETWORK_SCHEMES))

    @property
    def character_s(self) -> float:
        """How long one character takes on the line, seconds: start bit, data, parity, stop bits."""
        return (1 + self.bytesize + (self.parity != "none") + self.stopbits) / self.baud


@dataclass(frozen=True, slots=True)
class SerialScale:
    """A scale that the bridge reads, and how."""

    cell: str
    scale: str
    line: SerialLine
    resolution_g: float = 0.1
    silent_s: float = 10.0

    def __str__(self) -> str:
        return f"scale {self.scale!r} of cell {self.cell!r}"
