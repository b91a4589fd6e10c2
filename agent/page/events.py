"""Server-sent events: what changed, to a bounded number of watchers, each with a bounded patience."""

from __future__ import annotations

import asyncio
import contextlib
import threading
import time
from typing import TYPE_CHECKING

from agent.page.screen import Screen
from agent.web.board import Board

if TYPE_CHECKING:
    from starlette.types import Message, Receive, Scope, Send

MOST_WATCHERS = 16
STEP_S = 0.25
BEAT_S = 2.0
"""So often the page hears that all is current, whatever else happens."""
SEND_WITHIN_S = 5.0
"""A watcher that has not taken an event for so long is let go."""
LONGEST_S = 3600.0
"""After so long a watcher is let go; its browser comes back by itself."""


class Events:
    """An ASGI application that sends events until the watcher leaves or the agent stops."""

    def __init__(self, screen: Screen, board: Board, stop: threading.Event) -> None:
        self._screen = screen
        self._board = board
        self._stop = stop
        self.watchers = 0

    async def __call__(self, _scope: Scope, receive: Receive, send: Send) -> None:
        """One watcher."""
        if self.watchers >= MOST_WATCHERS:
            await _refuse(send)
            return
        self.watchers += 1
        left = asyncio.ensure_future(_until_gone(receive))
        try:
            await send(
                {
                    "type": "http.response.start",
                    "status": 200,
                    "headers": [
                        (b"content-type", b"text/event-stream; charset=utf-8"),
                        (b"cache-control", b"no-store"),
                        (b"x-accel-buffering", b"no"),
                    ],
                }
            )
            with contextlib.suppress(TimeoutError, OSError):
                await self._tell(send, left)
            # Whatever ended it, the browser is told at once and comes back.
            with contextlib.suppress(TimeoutError, OSError):
                await asyncio.wait_for(send({"type": "http.response.body", "body": b""}), 1.0)
        finally:
            left.cancel()
            self.watchers -= 1

    async def _tell(self, send: Send, left: asyncio.Future[None]) -> None:
        began_s, beat_s = time.monotonic(), float("-inf")
        digest, number = "", 0
        while not left.done() and not self._stop.is_set() and time.monotonic() - began_s < LONGEST_S:
            self._board.look()
            lines: list[str] = []
            shown = self._screen.shown()
            if shown.digest != digest:
                digest = shown.digest
                lines.append(f"event: state\ndata: {digest}\n\n")
            newest, curves = self._screen.curves()
            if newest != number:
                number = newest
                lines.append(f"event: curve\ndata: {curves}\n\n")
            if time.monotonic() - beat_s >= BEAT_S:
                beat_s = time.monotonic()
                age_s = self._screen.age_s()
                lines.append(f"event: beat\ndata: {-1.0 if age_s is None else age_s:.1f}\n\n")
            if lines:
                body: Message = {
                    "type": "http.response.body",
                    "body": "".join(lines).encode(),
                    "more_body": True,
                }
                await asyncio.wait_for(send(body), SEND_WITHIN_S)
            await asyncio.sleep(STEP_S)


async def _until_gone(receive: Receive) -> None:
    while (await receive())["type"] != "http.disconnect":
        pass


async def _refuse(send: Send) -> None:
    headers = [(b"content-type", b"text/plain"), (b"retry-after", b"30"), (b"cache-control", b"no-store")]
    await send({"type": "http.response.start", "status": 503, "headers": headers})
    text = f"{MOST_WATCHERS} pages are open already; close one\n".encode()
    await send({"type": "http.response.body", "body": text})
