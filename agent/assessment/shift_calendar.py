"""When shifts start: local times of day on UTC's line, over summer time both ways.

A local time that does not exist (the hour that is skipped in spring) moves forward by the gap; one that comes
twice (in autumn) is the first of the two. That is what PEP 495 gives for `fold=0`. So every shift has exactly
one start on each of its days.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

from agent.contract.plan import Shift


@dataclass(frozen=True, slots=True)
class Occurrence:
    """One shift on one day. Times are epoch seconds."""

    shift: Shift
    date: str
    """The local date of its start, ISO 8601."""
    opens_s: float
    """From when its check may be asked for: `lead_min` before the start."""
    starts_s: float

    @property
    def key(self) -> str:
        """What tells it from every other."""
        return f"{self.shift.name}/{self.date}"


@lru_cache(maxsize=4096)
def starts_s(shift: Shift, day: date, zone: str) -> float:
    """When a shift starts on a local date, epoch seconds."""
    hour, minute = (int(part) for part in shift.starts.split(":"))
    local = datetime(day.year, day.month, day.day, hour, minute, tzinfo=ZoneInfo(zone), fold=0)
    return local.astimezone(UTC).timestamp()


@lru_cache(maxsize=64)
def _around(shifts: tuple[Shift, ...], day: date, zone: str) -> tuple[Occurrence, ...]:
    found = []
    for shift in shifts:
        for offset in (-2, -1, 0, 1, 2):
            on = day + timedelta(days=offset)
            if on.weekday() in shift.days:
                start = starts_s(shift, on, zone)
                found.append(Occurrence(shift, on.isoformat(), start - 60.0 * shift.lead_min, start))
    return tuple(sorted(found, key=lambda one: (one.starts_s, one.shift.name)))


def around(shifts: Iterable[Shift], zone: str, now_s: float) -> tuple[Occurrence, ...]:
    """Every occurrence from two days before to two days after `now_s`, by its start.

    Raises ZoneInfoNotFoundError for an unknown zone.
    """
    # UTC's date is at most one day away from the local one; the window is wide enough for that.
    return _around(tuple(shifts), datetime.fromtimestamp(now_s, UTC).date(), zone)
