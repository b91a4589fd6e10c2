"""`[[cells.shifts]]`: when a cell must be ready."""

from __future__ import annotations

import re
from typing import Annotated

from pydantic import AfterValidator, Field

from agent.settings.section import Label, Section, TimeOfDay, rule

DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


def days_of(text: str) -> tuple[int, ...]:
    """The weekdays a text means, 0 for Monday: "mon-fri", "sat,sun", "mon,wed-fri", "fri-mon", "daily".

    Raises ValueError where it means none.
    """
    if text.strip().lower() == "daily":
        return tuple(range(7))
    days: set[int] = set()
    for part in text.lower().split(","):
        ends = re.fullmatch(r"\s*([a-z]{3})\s*(?:-\s*([a-z]{3})\s*)?", part)
        if not ends or ends[1] not in DAYS or (ends[2] or ends[1]) not in DAYS:
            raise ValueError(f"not a day: {part.strip()!r}")
        first, last = DAYS.index(ends[1]), DAYS.index(ends[2] or ends[1])
        days.update((first + step) % 7 for step in range((last - first) % 7 + 1))
    return tuple(sorted(days))


def _some_days(text: str) -> str:
    try:
        days_of(text)
    except ValueError:
        raise rule('days such as "mon-fri", "sat,sun", "mon,wed-fri" or "daily"') from None
    return text


class ShiftSection(Section):
    """A shift that begins with a check of every gun."""

    name: Label
    """Name of the shift."""
    days: Annotated[str, AfterValidator(_some_days)]
    """Days it is worked: mon-fri, sat,sun, mon,wed-fri, or daily."""
    starts: TimeOfDay
    """Local time of day it starts, HH:MM."""
    lead_min: Annotated[float, Field(ge=1, le=720)] = 30.0
    """The check begins so many minutes before the start."""
    setup: Label
    """The setup that is checked."""
