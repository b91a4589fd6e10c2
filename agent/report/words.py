"""Times and codes as people read them."""

from __future__ import annotations

import re
from datetime import datetime, tzinfo

from agent.contract.times import epoch_s

NOTHING = "–"
_RFC3339 = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(?:\.\d+)?Z")


def told(text: str | None, zone: tzinfo, form: str) -> str:
    """A record's time in a zone, by a strftime form; a dash for none."""
    if text is None:
        return NOTHING
    return f"{datetime.fromtimestamp(epoch_s(text), zone):{form}}"


def day(text: str | None) -> str:
    """A date (`2026-06-03`) as `3 Jun 2026`; a dash for none."""
    return NOTHING if text is None else f"{datetime.fromisoformat(text[:10]):%-d %b %Y}"


def day_s(text: str, zone: tzinfo) -> float:
    """Midnight of a date in a zone, epoch seconds."""
    return datetime.fromisoformat(text[:10]).replace(tzinfo=zone).timestamp()


def readable(text: str, zone: tzinfo) -> str:
    """A sentence of a record with its times brought to a zone."""
    return _RFC3339.sub(lambda found: told(found[0], zone, "%-d %b %H:%M"), text)


def spaced(code: str) -> str:
    """A code as words: `tip-plugged` is `tip plugged`."""
    return code.replace("-", " ").replace("_", " ")
