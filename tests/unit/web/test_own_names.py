"""Whom the served pages answer to: addresses and names of their own, nobody who points his name here."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import MutableMapping
from typing import Any

import pytest

from agent.web.hosts import MISDIRECTED, OwnNames

Message = MutableMapping[str, Any]


async def hello(_scope: Any, _receive: Any, send: Any) -> None:
    await send({"type": "http.response.start", "status": 200, "headers": []})
    await send({"type": "http.response.body", "body": b"hello"})


def answer(host: bytes | None) -> tuple[int, str]:
    """Status and body of what is answered to a Host header."""
    said: list[Message] = []

    async def send(message: Message) -> None:
        said.append(message)

    async def receive() -> Message:
        raise AssertionError("nothing of the body is asked for")

    headers = [] if host is None else [(b"host", host)]
    app = OwnNames(hello, names=("192.168.20.5", "Cell-Screen.example"))
    asyncio.run(app({"type": "http", "headers": headers}, receive, send))
    return said[0]["status"], said[1]["body"].decode()


@pytest.mark.parametrize(
    "host",
    [
        b"127.0.0.1:8080",
        b"localhost",
        b"LOCALHOST:8080",
        b"[::1]:8080",
        b"192.168.20.6:8080",
        b"cell-screen.example",
        b"cell-screen.example.:8080",
        socket.gethostname().encode(),
    ],
)
def test_own_names_and_addresses_are_answered(host: bytes) -> None:
    assert answer(host) == (200, "hello")


@pytest.mark.parametrize(
    "host",
    [
        b"elsewhere.example",
        b"127.0.0.1.elsewhere.example:8080",
        b"localhost.elsewhere.example",
        b"[elsewhere.example]",
        b"\xff",
        b"",
        None,
    ],
)
def test_a_name_that_somebody_else_points_here_is_refused(host: bytes | None) -> None:
    status, text = answer(host)
    assert status == MISDIRECTED
    assert "hello" not in text
    assert "`names`" in text
