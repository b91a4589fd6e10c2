"""Answers only those who call this server by a name of its own.

A page of somebody else's may let its own name point to this machine (DNS rebinding) and so read what is
served here. Its requests carry that name as Host (RFC 9110, 7.2): refused. Addresses cannot be rebound.
"""

from __future__ import annotations

import ipaddress
import socket
from collections.abc import Iterable
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Receive, Scope, Send

LOOPBACK = frozenset({"localhost", "localhost.localdomain", "ip6-localhost", "ip6-loopback"})
MISDIRECTED = 421
"""RFC 9110, 15.5.20: this server does not answer for that name."""


class OwnNames:
    """Passes on what is asked of a known name or of an address, and refuses the rest."""

    def __init__(self, app: ASGIApp, *, names: Iterable[str]) -> None:
        """`names` are those that the configuration allows beside loopback's and this machine's own."""
        self._app = app
        self._names = LOOPBACK | {name.lower().rstrip(".") for name in (*names, socket.gethostname())}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request."""
        name = host_of(scope)
        if self.is_own(name):
            await self._app(scope, receive, send)
            return
        text = (
            f"Nothing is served here for {name!r}. Ask for this machine by its address or its own name, or "
            "write that name into `names` of [page] or [health] in the agent's configuration.\n"
        )
        headers = [(b"content-type", b"text/plain; charset=utf-8"), (b"cache-control", b"no-store")]
        await send({"type": "http.response.start", "status": MISDIRECTED, "headers": headers})
        await send({"type": "http.response.body", "body": text.encode()})

    def is_own(self, name: str) -> bool:
        """Whether this is an address, or a name of this server."""
        try:
            ipaddress.ip_address(name)
        except ValueError:
            return name in self._names
        return True


def host_of(scope: Scope) -> str:
    """The Host header without port and brackets, in lower case; empty where there is none."""
    told: bytes = next((value for key, value in scope["headers"] if key == b"host"), b"")
    text = told.decode("latin-1").strip().lower()
    if text.startswith("["):
        return text[1:].partition("]")[0]
    return text.partition(":")[0].rstrip(".")
