"""What the doctor asks the database: are you there, and do you take our token? Not a point is written."""

from __future__ import annotations

import urllib.error
import urllib.request
from collections.abc import Iterator
from urllib.parse import urlencode

from agent.commands.doctor_finding import Finding
from agent.settings.influx import Influx
from agent.settings.site import Site


def database(site: Site) -> Iterator[Finding]:
    """A ping, then a write of no points: it is refused where a real one would be."""
    influx = site.influx
    if influx is None:
        return
    base = influx.url.rstrip("/")
    try:
        with urllib.request.urlopen(f"{base}/ping", timeout=influx.timeout_s) as answer:  # noqa: S310  http(s) by the settings
            version = answer.headers.get("X-Influxdb-Version", "")
    except urllib.error.HTTPError as fault:
        yield Finding("database", "note", f"{influx.url} answers {fault.code} to a ping")
    except OSError as fault:
        text = f"{influx.url}: {getattr(fault, 'reason', fault)}"
        yield Finding("database", "mend", text, "is it running, is the address right?")
        return
    else:
        yield Finding("database", "well", f"{influx.url} answers {version}".rstrip())
    yield _token(influx, base)


def _token(influx: Influx, base: str) -> Finding:
    from agent.settings.secrets import SecretUnreadable, read_secret

    headers = {"Content-Type": "text/plain; charset=utf-8"}
    try:
        if influx.token_file is not None:
            headers["Authorization"] = f"Token {read_secret(influx.token_file)}"
    except SecretUnreadable as fault:
        return Finding("database", "mend", f"token not tried: {fault}", "see secrets above")
    where = urlencode({"org": influx.org, "bucket": influx.bucket, "precision": "ns"})
    request = urllib.request.Request(  # noqa: S310  http(s) by the settings
        f"{base}/api/v2/write?{where}", data=b"", headers=headers, method="POST"
    )
    try:
        with urllib.request.urlopen(request, timeout=influx.timeout_s):  # noqa: S310
            status = 204
    except urllib.error.HTTPError as fault:
        status = fault.code
    except OSError as fault:
        return Finding("database", "mend", f"{influx.url}: {fault}", "is it running, is the address right?")
    return _judged(status, influx)


def _judged(status: int, influx: Influx) -> Finding:
    if status in {401, 403}:
        text = f"the token is refused ({status})"
        return Finding("database", "mend", text, f"give it the right to write bucket {influx.bucket!r}")
    if status == 404:
        text = f"no bucket {influx.bucket!r} of organisation {influx.org!r} there, or no such interface"
        return Finding("database", "mend", text, "make the bucket; the agent writes to /api/v2/write")
    if status >= 500:
        text = f"it answers {status} to a write"
        return Finding("database", "mend", text, "look at the database's log")
    # 400: it wanted points, so it has looked at token, organisation and bucket.
    return Finding("database", "well", f"bucket {influx.bucket!r} may be written")
