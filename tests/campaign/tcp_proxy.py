"""A TCP proxy on loopback between the agent and its broker: passes, refuses, cuts, hangs, or is narrow.

pass        everything goes through
down        connections are refused, those that stand are cut (RST)
hang        connections stand and new ones are taken, but no byte passes: a half-open line
slow        at most `bytes_per_s` in each direction
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
import struct
import threading
from collections import Counter

CHUNK = 4096


class TcpProxy:
    """Stands between a client and `target_port`; `mode` may be changed at any time by `switch`."""

    def __init__(self, target_port: int) -> None:
        self.target_port = target_port
        self.mode = "pass"
        self.bytes_per_s = 8000.0
        self.seen: Counter[str] = Counter()
        self.port = 0
        self._loop = asyncio.new_event_loop()
        self._ready = threading.Event()
        self._writers: set[asyncio.StreamWriter] = set()
        self._tasks: set[asyncio.Task[None]] = set()
        self._thread = threading.Thread(target=self._run, name="tcp-proxy", daemon=True)

    def start(self) -> TcpProxy:
        """Begin to listen on a free port."""
        self._thread.start()
        self._ready.wait(10)
        return self

    def stop(self) -> None:
        """End every connection."""
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(10)

    def switch(self, mode: str) -> None:
        """Behave so from now on."""
        self.mode = mode
        if mode == "down":
            self._loop.call_soon_threadsafe(self._cut)

    def cut(self) -> None:
        """Cut what stands (RST), and take new connections."""
        self._loop.call_soon_threadsafe(self._cut)

    def _cut(self) -> None:
        for writer in list(self._writers):
            self.seen["cut"] += 1
            sock = writer.get_extra_info("socket")
            with contextlib.suppress(OSError):
                sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            writer.transport.abort()

    def _run(self) -> None:
        asyncio.set_event_loop(self._loop)
        server = self._loop.run_until_complete(asyncio.start_server(self._accept, "127.0.0.1", 0))
        self.port = server.sockets[0].getsockname()[1]
        self._ready.set()
        self._loop.run_forever()
        server.close()
        self._cut()
        for task in self._tasks:
            task.cancel()
        self._loop.run_until_complete(asyncio.gather(*self._tasks, return_exceptions=True))
        self._loop.close()

    def _accept(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = self._loop.create_task(self._serve(reader, writer))
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._writers.add(writer)
        try:
            if self.mode == "down":
                self.seen["refused"] += 1
                return
            there, back = await asyncio.open_connection("127.0.0.1", self.target_port)
            self.seen["connections"] += 1
            self._writers.add(back)
            try:
                await asyncio.gather(self._pump(reader, back), self._pump(there, writer))
            finally:
                self._writers.discard(back)
                back.transport.abort()
        except OSError:
            pass
        finally:
            self._writers.discard(writer)
            writer.transport.abort()

    async def _pump(self, source: asyncio.StreamReader, sink: asyncio.StreamWriter) -> None:
        while data := await source.read(CHUNK):
            while self.mode == "hang":
                self.seen["held"] += 1
                await asyncio.sleep(0.05)
            if self.mode == "slow":
                self.seen["slowed"] += 1
                await asyncio.sleep(len(data) / self.bytes_per_s)
            sink.write(data)
            await sink.drain()
        with contextlib.suppress(OSError):
            sink.write_eof()
