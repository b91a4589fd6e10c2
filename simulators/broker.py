"""An MQTT broker in a thread of this process, on loopback, for demonstrations and tests.

It speaks MQTT 3.1.1 and no more (amqtt 0.12), keeps nothing on disk, and lets anybody in: never a broker for
a shop.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import threading
from types import TracebackType
from typing import Any, Self

STARTS_WITHIN_S = 10.0
_QUIET = ("amqtt", "transitions", "passlib")


class EmbeddedBroker:
    """A broker on a free port of 127.0.0.1: `with EmbeddedBroker() as broker: broker.port`."""

    host = "127.0.0.1"

    def __init__(self, port: int = 0) -> None:
        self._wanted_port = port
        self._port = 0
        self._thread: threading.Thread | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._stop: asyncio.Event | None = None
        self._ready = threading.Event()
        self._fault: Exception | None = None

    @property
    def port(self) -> int:
        """The port it listens on; 0 while it does not run."""
        return self._port

    def start(self) -> Self:
        """Listen. Raises OSError where the port is taken, TimeoutError where the broker does not come up."""
        if self._thread is not None:
            return self
        for name in _QUIET:
            logging.getLogger(name).setLevel(logging.CRITICAL)
        self._ready.clear()
        self._fault = None
        self._thread = threading.Thread(target=self._run, name="embedded-broker", daemon=True)
        self._thread.start()
        if not self._ready.wait(STARTS_WITHIN_S):
            raise TimeoutError(f"the embedded broker did not start within {STARTS_WITHIN_S:g} s")
        fault = self._take_fault()
        if fault is not None:
            self._thread.join()
            self._thread = None
            raise OSError(f"the embedded broker cannot listen: {fault}") from fault
        return self

    def stop(self) -> None:
        """Disconnect everybody and stop listening."""
        if self._thread is None:
            return
        if self._loop is not None and self._stop is not None:
            with contextlib.suppress(RuntimeError):  # its loop has ended by itself
                self._loop.call_soon_threadsafe(self._stop.set)
        self._thread.join(STARTS_WITHIN_S)
        self._thread = None
        self._port = 0

    def __enter__(self) -> Self:
        return self.start()

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    def _take_fault(self) -> Exception | None:
        """What kept the thread from listening, if anything did."""
        return self._fault

    def _run(self) -> None:
        try:
            asyncio.run(self._serve())
        except Exception as fault:  # noqa: BLE001 - told to the thread that waits for the start
            self._fault = fault
        finally:
            self._ready.set()

    async def _serve(self) -> None:
        from amqtt.broker import Broker

        self._loop = asyncio.get_running_loop()
        self._stop = asyncio.Event()
        broker = Broker(
            {
                "listeners": {"default": {"type": "tcp", "bind": f"{self.host}:{self._wanted_port}"}},
                "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
            }
        )
        await broker.start()
        try:
            self._port = _listening_port(broker)
            self._ready.set()
            await self._stop.wait()
        finally:
            await broker.shutdown()


def _listening_port(broker: Any) -> int:
    # amqtt does not tell which port the system chose; its listener's socket does.
    server = broker._servers["default"]
    return int(server.instance.sockets[0].getsockname()[1])
