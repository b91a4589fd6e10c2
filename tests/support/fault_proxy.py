"""A TCP/HTTP proxy on loopback that refuses, cuts, slows, loses replies, or answers in the server's place.

It runs in a thread with an event loop of its own. `mode` may be changed at any time:

    pass            everything goes through
    down            connections are refused (closed at once)
    lose-reply      the request reaches the server, the answer never reaches the client
    blackhole       nothing is answered
    slow            the answer takes `delay_s` longer
    status          `status`, `headers` and `body` are answered, the server never hears of it
    flaky           every call but each third is answered with `status`

`rule`, where given, sees each request's (path, body) and may return (status, headers, body) to answer.
`seen` counts what happened, so that a test can prove that the fault bit. `rewrite` maps the path.
"""

from __future__ import annotations

import asyncio
import gzip
import threading
from collections import Counter
from collections.abc import Callable, Mapping

Answer = tuple[int, Mapping[str, str], bytes]


class FaultProxy:
    """Stands between a client and `target_port`."""

    def __init__(self, target_port: int, rewrite: Callable[[str], str] = lambda path: path):
        self.target_port = target_port
        self.rewrite = rewrite
        self.mode = "pass"
        self.status = 503
        self.headers: Mapping[str, str] = {}
        self.body = b"not now"
        self.delay_s = 0.0
        self.rule: Callable[[str, bytes], Answer | None] | None = None
        self.seen: Counter[str] = Counter()
        self.bodies: list[bytes] = []
        self.requests: list[Mapping[str, str]] = []
        self.port = 0
        self._loop = asyncio.new_event_loop()
        self._ready = threading.Event()
        self._thread = threading.Thread(target=self._run, name="fault-proxy")
        self._tasks: set[asyncio.Task[None]] = set()

    @property
    def url(self) -> str:
        """Where the client should connect."""
        return f"http://127.0.0.1:{self.port}"

    def start(self) -> FaultProxy:
        """Begin to listen on a free port."""
        self._thread.start()
        self._ready.wait(10)
        return self

    def stop(self) -> None:
        """Stop listening and end every connection."""
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(10)

    def _run(self) -> None:
        asyncio.set_event_loop(self._loop)
        server = self._loop.run_until_complete(asyncio.start_server(self._accept, "127.0.0.1", 0))
        self.port = server.sockets[0].getsockname()[1]
        self._ready.set()
        self._loop.run_forever()
        server.close()
        for task in self._tasks:
            task.cancel()
        self._loop.run_until_complete(asyncio.gather(*self._tasks, return_exceptions=True))
        self._loop.run_until_complete(self._loop.shutdown_asyncgens())
        self._loop.close()

    def _accept(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = self._loop.create_task(self._serve(reader, writer))
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            while await self._one(reader, writer):
                pass
        except (OSError, asyncio.IncompleteReadError):
            pass
        finally:
            writer.close()

    async def _one(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> bool:
        if self.mode == "down":
            self.seen["refused"] += 1
            return False
        head = await reader.readuntil(b"\r\n\r\n")
        first, *lines = head.decode("latin-1").split("\r\n")
        headers = {
            name.lower(): text.strip() for name, _, text in (line.partition(":") for line in lines if line)
        }
        body = await reader.readexactly(int(headers.get("content-length", "0")))
        method, path, _ = first.split(" ", 2)
        plain = gzip.decompress(body) if headers.get("content-encoding") == "gzip" else body
        self.seen["requests"] += 1
        self.requests.append(headers)
        if self.mode == "down":
            self.seen["refused"] += 1
            return False
        if self.mode == "blackhole":
            self.seen["unanswered"] += 1
            await asyncio.sleep(3600)
        answer = self.rule(path, plain) if self.rule is not None else None
        if answer is None and (self.mode == "status" or (self.mode == "flaky" and self.seen["requests"] % 3)):
            answer = (self.status, self.headers, self.body)
        if answer is not None:
            self.seen[f"answered {answer[0]}"] += 1
            await _answer(writer, *answer)
            return True
        self.bodies.append(plain)
        mode = self.mode
        reply = await self._forward(method, self.rewrite(path), headers, body)
        self.seen["passed"] += 1
        if mode == "lose-reply":
            self.seen["replies lost"] += 1
            return False
        if mode == "slow":
            await asyncio.sleep(self.delay_s)
        writer.write(reply)
        await writer.drain()
        return False

    async def _forward(self, method: str, path: str, headers: Mapping[str, str], body: bytes) -> bytes:
        reader, writer = await asyncio.open_connection("127.0.0.1", self.target_port)
        try:
            kept = {name: text for name, text in headers.items() if name not in {"connection", "host"}}
            lines = [f"{method} {path} HTTP/1.1", "Host: 127.0.0.1", "Connection: close"]
            lines += [f"{name}: {text}" for name, text in kept.items()]
            writer.write("\r\n".join(lines).encode("latin-1") + b"\r\n\r\n" + body)
            await writer.drain()
            return await reader.read()
        finally:
            writer.close()


async def _answer(writer: asyncio.StreamWriter, status: int, headers: Mapping[str, str], body: bytes) -> None:
    lines = [f"HTTP/1.1 {status} said so", f"Content-Length: {len(body)}"]
    lines += [f"{name}: {text}" for name, text in headers.items()]
    writer.write("\r\n".join(lines).encode("latin-1") + b"\r\n\r\n" + body)
    await writer.drain()
