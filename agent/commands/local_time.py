"""Times as people of a site read them: on the site's own clock. JSON and CSV stay in UTC."""

from __future__ import annotations

import re
from datetime import datetime
from zoneinfo import ZoneInfo

_UTC = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?Z")


class LocalTime:
    """Reads RFC 3339 texts of records and writes them on a site's clock."""

    def __init__(self, zone: str) -> None:
        self.zone = zone
        self._zone = ZoneInfo(zone)

    def minute(self, text: str | None) -> str:
        """`2026-03-02 05:33`; a dash where there is no time, and the text itself where it is none."""
        return self._as("%Y-%m-%d %H:%M", text)

    def second(self, text: str | None) -> str:
        """`2026-03-02 05:33:07`."""
        return self._as("%Y-%m-%d %H:%M:%S", text)

    def day(self, text: str | None) -> str:
        """`2026-03-02`; a date with no time is told as it is."""
        return self._as("%Y-%m-%d", text)

    def clock(self, text: str | None) -> str:
        """`05:33:07`."""
        return self._as("%H:%M:%S", text)

    def in_text(self, text: str) -> str:
        """A sentence with every time in UTC that stands in it on this clock, and `±` for `+-`."""
        return _UTC.sub(lambda found: self.minute(found[0]), text).replace("+-", "±")

    def _as(self, form: str, text: str | None) -> str:
        if not text:
            return "-"
        try:
            moment = datetime.fromisoformat(text)
        except ValueError:
            return text
        return text if moment.tzinfo is None else moment.astimezone(self._zone).strftime(form)
