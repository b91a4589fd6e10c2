"""Numbers and times as people read them in the texts of records."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from decimal import ROUND_DOWN, ROUND_HALF_EVEN, ROUND_UP, Decimal
from zoneinfo import ZoneInfo


def counted(number: int, thing: str, things: str = "") -> str:
    """A number of things: `1 check`, `3 checks`."""
    return f"{number} {thing if number == 1 else things or thing + 's'}"


def with_u(value: float, u: float) -> str:
    """A value with its standard uncertainty: `25 +- 13`, `22.4 +- 3.5`, `250 +- 130`; both in one unit.

    The uncertainty to two significant digits, rounded up from a tenth of the last one, so that it is never
    told smaller than it is, and the value to the same place (JCGM 100:2008, 7.2.6). The value alone where
    there is no uncertainty.
    """
    if not (math.isfinite(u) and u > 0 and math.isfinite(value)):
        return f"{value:g}"
    exact = Decimal(f"{u:.15g}")
    last = exact.adjusted() - 1
    told = _to(_to(exact, last - 1, ROUND_DOWN), last, ROUND_UP)
    if told.adjusted() > exact.adjusted():
        last += 1  # 99.7 is 100
    return f"{_to(Decimal(f'{value:.15g}'), last, ROUND_HALF_EVEN):f} +- {_to(told, last, ROUND_UP):f}"


def _to(number: Decimal, place: int, rounding: str) -> Decimal:
    return number.quantize(Decimal((0, (1,), place)), rounding)


def site_time(at_s: float, zone: str) -> str:
    """Epoch seconds as the clock on the site's wall shows them: `2026-03-02 06:14 WET`.

    Raises ZoneInfoNotFoundError for an unknown zone.
    """
    moment = datetime.fromtimestamp(at_s, UTC).astimezone(ZoneInfo(zone))
    return f"{moment:%Y-%m-%d %H:%M} {moment.tzname()}"
