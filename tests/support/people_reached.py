"""Where alarms reach people: a real SMTP server and a real webhook receiver, both on loopback."""

from __future__ import annotations

import asyncio
import json
import threading
from email import message_from_bytes, policy
from http.server import BaseHTTPRequestHandler, HTTPServer
from typing import Any

from aiosmtpd.smtp import SMTP


class Inbox:
    """An SMTP server on a port of its own, that can refuse."""

    def __init__(self) -> None:
        self.mails: list[Any] = []
        self.refuse = False
        self.loop = asyncio.new_event_loop()
        self._server = self.loop.run_until_complete(
            self.loop.create_server(lambda: SMTP(self, loop=self.loop), "127.0.0.1", 0)
        )
        self.port = self._server.sockets[0].getsockname()[1]
        self._thread = threading.Thread(target=self.loop.run_forever)
        self._thread.start()

    async def handle_DATA(self, _server: Any, _session: Any, envelope: Any) -> str:  # noqa: N802 - aiosmtpd's name
        """What the server answers to a mail."""
        if self.refuse:
            return "451 try again later"
        self.mails.append(message_from_bytes(envelope.content, policy=policy.default))
        return "250 OK"

    def close(self) -> None:
        """End the server and its thread."""

        async def end() -> None:
            self._server.close()
            await self._server.wait_closed()
            for task in asyncio.all_tasks():
                if task is not asyncio.current_task():
                    task.cancel()

        asyncio.run_coroutine_threadsafe(end(), self.loop).result(5)
        self.loop.call_soon_threadsafe(self.loop.stop)
        self._thread.join(5)
        self.loop.close()


class Hook:
    """A webhook receiver on a port of its own, that can fail."""

    def __init__(self) -> None:
        self.bodies: list[dict[str, Any]] = []
        self.status = 200
        hook = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"]))
                if hook.status == 200:
                    hook.bodies.append(json.loads(body))
                self.send_response(hook.status)
                self.end_headers()

            def log_message(self, *_: Any) -> None:
                pass

        self._server = HTTPServer(("127.0.0.1", 0), Handler)
        self.port = self._server.server_address[1]
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.05,))
        self._thread.start()

    def close(self) -> None:
        """End the server and its thread."""
        self._server.shutdown()
        self._server.server_close()
        self._thread.join(5)


def mail_address(port: int) -> str:
    """What to write into the file of addresses, for an inbox at this port."""
    return f"mailto://127.0.0.1:{port}/?from=agent@shop.example&to=maintenance@shop.example&mode=insecure"
