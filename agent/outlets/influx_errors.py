"""What an answer of the database means: try again, wait for people, or this point will never be taken.

| answer | meaning | what follows |
| --- | --- | --- |
| 2xx | taken | the rows are settled |
| 400, 413, 422 | something in it is never taken; the rest may have been | halve, set the one row aside |
| 401, 403, 404, other 4xx, 3xx | token, bucket or address is wrong | hold everything, tell people |
| 408, 425, 429, 5xx, no answer, no connection | not now | try for ever, no sooner than Retry-After says |
"""

from __future__ import annotations

import email.utils
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Literal

Verdict = Literal["rejected", "refused", "later"]
REJECTED = frozenset({400, 413, 422})
LATER = frozenset({408, 425, 429})
LONGEST_RETRY_AFTER_S = 3600.0


@dataclass(frozen=True, slots=True)
class Failure:
    """A write that was not taken."""

    verdict: Verdict
    text: str
    """What the server or the network said, at most 300 characters; never the token."""
    status: int | None = None
    retry_after_s: float | None = None


def failure_of(fault: Exception) -> Failure | None:
    """What a foreign exception means, or None where it is not the network's or the server's doing."""
    from influxdb_client.client.exceptions import InfluxDBError
    from influxdb_client.rest import ApiException
    from urllib3.exceptions import HTTPError

    if isinstance(fault, ApiException) and fault.status:
        return _answered(int(fault.status), fault.body, fault.headers)
    if isinstance(fault, (ApiException, InfluxDBError, HTTPError, OSError)):
        return Failure("later", _short(f"{type(fault).__name__}: {fault}"))
    if isinstance(fault, UnicodeError):
        # An answer that is no text, or a host name that cannot be encoded: not this batch's fault.
        return Failure("later", _short(f"{type(fault).__name__}: {fault}"))
    return None


def _answered(status: int, body: object, headers: object) -> Failure:
    text = _short(f"HTTP {status}: {body or ''}")
    retry_after_s = _retry_after(headers) if isinstance(headers, Mapping) else None
    if status in REJECTED:
        return Failure("rejected", text, status)
    if status in LATER or status >= 500:
        return Failure("later", text, status, retry_after_s)
    return Failure("refused", text, status)


def _retry_after(headers: Mapping[str, str]) -> float | None:
    """Seconds to wait (RFC 9110, 10.2.3), a date being measured against the server's own clock."""
    value = next((text for name, text in headers.items() if name.lower() == "retry-after"), None)
    if value is None:
        return None
    try:
        wait_s = float(value)
    except ValueError:
        until, now = _date(value), _date(next((t for n, t in headers.items() if n.lower() == "date"), ""))
        if until is None:
            return None
        wait_s = (until - (now or datetime.now(UTC))).total_seconds()
    # A comparison that is false for NaN as well.
    return min(wait_s, LONGEST_RETRY_AFTER_S) if wait_s > 0 else 0.0


def _date(text: str) -> datetime | None:
    try:
        found = email.utils.parsedate_to_datetime(text)
    except (TypeError, ValueError):
        return None
    return found if found.tzinfo else found.replace(tzinfo=UTC)


def _short(text: str) -> str:
    plain = " ".join(text.split())
    return plain if len(plain) <= 300 else f"{plain[:297]}..."
