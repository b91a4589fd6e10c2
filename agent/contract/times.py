"""Times: epoch seconds (UTC) inside, RFC 3339 text in UTC outside."""

from __future__ import annotations

import math
from datetime import UTC, datetime

EARLIEST_S = datetime(2000, 1, 1, tzinfo=UTC).timestamp()
"""A clock that shows less than this was never set."""
LATEST_S = datetime(2100, 1, 1, tzinfo=UTC).timestamp()
"""A clock that shows more than this is wrong."""


def rfc3339(epoch_s: float) -> str:
    """Epoch seconds as RFC 3339 text in UTC, to the millisecond.

    Raises ValueError where the number is not finite or outside the years 1 to 9999.
    """
    if not math.isfinite(epoch_s):
        raise ValueError(f"not a time: {epoch_s!r}")
    try:
        moment = datetime.fromtimestamp(round(epoch_s, 3), tz=UTC)
    except (OverflowError, OSError) as fault:
        raise ValueError(f"not a time: {epoch_s!r}") from fault
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def epoch_s(text: str) -> float:
    """RFC 3339 text as epoch seconds. A text with no offset is refused: it could be any time zone's.

    Raises ValueError where the text is no RFC 3339 date and time.
    """
    moment = datetime.fromisoformat(text.strip())
    if moment.tzinfo is None:
        raise ValueError(f"a time needs its offset from UTC (a Z, or +01:00): {text!r}")
    return moment.timestamp()


def is_plausible(epoch_s: float) -> bool:
    """Whether a clock that shows this can have been set: from the year 2000 to 2100."""
    return EARLIEST_S <= epoch_s <= LATEST_S


def rfc3339_s(text: str) -> float:
    """RFC 3339 text from outside as epoch seconds: the profile alone, no other form of ISO 8601.

    Raises ValueError where the text is no RFC 3339 date and time with its offset.
    """
    # fromisoformat takes week dates and dates without separators too, which other readers take otherwise.
    if not (
        len(text) >= 20 and text[4] == text[7] == "-" and text[13] == text[16] == ":" and text[10] in "Tt "
    ):
        raise ValueError(f"no RFC 3339 date and time: {text[:40]!r}")
    return epoch_s(text[:-1] + "Z" if text[-1] == "z" else text)
