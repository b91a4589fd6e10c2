"""Numbers and times as people read them in the texts of records."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo


def counted(number: int, thing: str, things: str = "") -> str:
    """A number of things: `1 check`, `3 checks`."""
    return f"{number} {thing if number == 1 else things or thing + 's'}"


def site_time(at_s: float, zone: str) -> str:
    """Epoch seconds as the clock on the site's wall shows them: `2026-03-02 06:14 WET`.

    Raises ZoneInfoNotFoundError for an unknown zone.
    """
    moment = datetime.fromtimestamp(at_s, UTC).astimezone(ZoneInfo(zone))
    return f"{moment:%Y-%m-%d %H:%M} {moment.tzname()}"
