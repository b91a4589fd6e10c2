"""`[influx]`: the time-series database."""

from __future__ import annotations

from typing import Annotated
from urllib.parse import urlsplit

from pydantic import AfterValidator, Field

from agent.settings.section import Label, SecretFile, Section, rule


def _web_address(text: str) -> str:
    try:
        parts = urlsplit(text)
        host, _, user = parts.hostname, parts.port, parts.username
    except ValueError:
        raise rule("an address such as http://127.0.0.1:8086") from None
    if parts.scheme not in {"http", "https"} or not host or parts.query or parts.fragment:
        raise rule("an address such as http://127.0.0.1:8086")
    if user is not None:
        raise rule("an address without user name and password; the token belongs in token_file")
    return text


class Influx(Section):
    """The database results are forwarded to. Leave the section out to keep them in the journal alone."""

    url: Annotated[str, AfterValidator(_web_address)]
    """Address of the database."""
    org: Label
    """Organisation in the database."""
    bucket: Label
    """Bucket that takes the results."""
    token_file: SecretFile | None = None
    """File that holds the token alone, or $CREDENTIALS_DIRECTORY/name; left out where none is asked for."""
    timeout_s: Annotated[float, Field(gt=0, le=300)] = 10.0
    """Wait so many seconds for an answer."""
    batch_rows: Annotated[int, Field(ge=1, le=5000)] = 500
    """At most so many results in one request."""
