"""Ends of a simulated serial line: a pseudo-terminal, and the two kinds of serial device server.

A pseudo-terminal is a real tty: opening, locking, hanging up and raw mode are the kernel's own. It has no
speed and no framing, so parity errors and wrong baud rates do not happen on it; the RFC 2217 server knows
what speed it was asked for and garbles the bytes where that is not the scale's.
"""

from __future__ import annotations

import os
import pty
import select
import socket
import threading
import tty
from contextlib import suppress
from pathlib import Path
from typing import Any, Protocol

import serial
import serial.rfc2217


class End(Protocol):
    """What the scale's side of a line can do. Bytes written to nobody are lost, as on a wire."""

    @property
    def address(self) -> str:
        """What the other side opens."""

    def plug(self) -> None:
        """Make the line exist."""

    def unplug(self) -> None:
        """Take it away; whoever has it open sees it fail."""

    def write(self, data: bytes) -> None:
        """Send, without waiting for a reader."""

    def read(self, wait_s: float) -> bytes:
        """What the other side sent, after at most `wait_s` seconds."""


class PtyEnd:
    """A tty, and a link to it that stays the same over unplugging as /dev/serial/by-id does."""

    def __init__(self, link: Path) -> None:
        self.link = link
        self.device: str | None = None
        self._lock = threading.Lock()
        self._scale_fd = self._tty_fd = -1

    @property
    def address(self) -> str:
        """The link's path."""
        return str(self.link)

    def plug(self) -> None:
        """A new pseudo-terminal, most likely with another number than the last one."""
        with self._lock:
            self._scale_fd, self._tty_fd = pty.openpty()
            tty.setraw(self._tty_fd)
            os.set_blocking(self._scale_fd, False)
            self.device = os.ttyname(self._tty_fd)
            self.link.unlink(missing_ok=True)
            self.link.symlink_to(self.device)

    def unplug(self) -> None:
        """Hang up and take the link away."""
        with self._lock:
            if self._scale_fd < 0:
                return
            self.link.unlink(missing_ok=True)
            os.close(self._tty_fd)
            os.close(self._scale_fd)
            self._scale_fd = self._tty_fd = -1
            self.device = None

    def write(self, data: bytes) -> None:
        """Send; what a full buffer does not take is lost."""
        with self._lock, suppress(BlockingIOError):
            if self._scale_fd >= 0:
                os.write(self._scale_fd, data)

    def read(self, wait_s: float) -> bytes:
        """What was sent to the scale."""
        fd = self._scale_fd
        if fd < 0:
            threading.Event().wait(wait_s)
            return b""
        with suppress(OSError, ValueError):
            if select.select([fd], [], [], wait_s)[0]:
                with self._lock:
                    return os.read(self._scale_fd, 1024) if self._scale_fd >= 0 else b""
        return b""


class ServerEnd:
    """A serial device server on loopback, for one client at a time: plain TCP, or RFC 2217."""

    def __init__(self, *, rfc2217: bool = False, baud: int = 9600, port: int = 0) -> None:
        self.rfc2217 = rfc2217
        self.baud = baud
        self.line: Any = serial.serial_for_url("loop://", timeout=0) if rfc2217 else None
        """Holds the settings that the client asked for."""
        self._port = port
        self._server: socket.socket | None = None
        self._client: socket.socket | None = None
        self._manager: Any = None
        self._lock = threading.RLock()

    @property
    def address(self) -> str:
        """The URL that pyserial opens."""
        return f"{'rfc2217' if self.rfc2217 else 'socket'}://127.0.0.1:{self._port}"

    def plug(self) -> None:
        """Listen; on the same port as before once it was chosen."""
        with self._lock:
            self._server = socket.create_server(("127.0.0.1", self._port))
            self._server.settimeout(0)
            self._port = self._server.getsockname()[1]

    def unplug(self) -> None:
        """Close the server and its client."""
        with self._lock:
            self._drop_client()
            if self._server is not None:
                self._server.close()
                self._server = None

    def write(self, data: bytes) -> None:
        """Send to the client there is."""
        with self._lock:
            self._accept()
            if self._manager is not None:
                wrong = self.line.baudrate != self.baud
                sent = bytes((byte * 7 + 131) & 0xFF for byte in data) if wrong else data
                self._send(b"".join(self._manager.escape(sent)))
            else:
                self._send(data)

    def read(self, wait_s: float) -> bytes:
        """What the client sent, without the telnet commands in it."""
        with self._lock:
            self._accept()
            client, manager = self._client, self._manager
        if client is None:
            threading.Event().wait(min(wait_s, 0.02))
            return b""
        try:
            if not select.select([client], [], [], wait_s)[0]:
                return b""
            data = client.recv(1024)
        except (OSError, ValueError):
            data = b""
        with self._lock:
            if not data:
                self._drop_client()
                return b""
            return b"".join(manager.filter(data)) if manager is not None else data

    def _accept(self) -> None:
        if self._client is not None or self._server is None:
            return
        with suppress(BlockingIOError):
            self._client, _ = self._server.accept()
            self._client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            if self.rfc2217:
                connection: Any = _Connection(self)
                self._manager = serial.rfc2217.PortManager(self.line, connection)

    def _send(self, data: bytes) -> None:
        if self._client is None:
            return
        try:
            self._client.sendall(data)
        except OSError:
            self._drop_client()

    def _drop_client(self) -> None:
        if self._client is not None:
            self._client.close()
        self._client = self._manager = None


class _Connection:
    """What pyserial's PortManager answers through."""

    def __init__(self, end: ServerEnd) -> None:
        self._end = end

    def write(self, data: bytes) -> None:
        """Send telnet bytes as they are."""
        with self._end._lock:
            self._end._send(data)
