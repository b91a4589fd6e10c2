"""A line between clients and a broker that can be pulled."""

from __future__ import annotations

import contextlib
import socket
import threading
import time


class Cable:
    """One address for one broker, or for the nodes of a cluster: the first of `ports` that answers.

    While it is pulled nothing arrives, and nobody is told.
    """

    def __init__(self, *ports: int) -> None:
        self._ports = ports
        self._pulled = threading.Event()
        self._unanswered: list[socket.socket] = []
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._server.getsockname()[1]
        threading.Thread(target=self._accept, daemon=True).start()

    def pull(self) -> None:
        """Nothing comes through any more."""
        self._pulled.set()

    def mend(self) -> None:
        """What was sent meanwhile comes through."""
        self._pulled.clear()
        while self._unanswered:
            self._unanswered.pop().close()

    def close(self) -> None:
        """Take no more connections."""
        self.mend()
        self._server.shutdown(socket.SHUT_RDWR)
        self._server.close()

    def _accept(self) -> None:
        while True:
            try:
                one, _ = self._server.accept()
            except OSError:
                return
            if self._pulled.is_set():
                # Nobody answers; without a connection nothing of what is sent can arrive later.
                self._unanswered.append(one)
                continue
            other = self._broker()
            if other is None:
                one.close()
                continue
            for a, b in ((one, other), (other, one)):
                threading.Thread(target=self._carry, args=(a, b), daemon=True).start()

    def _broker(self) -> socket.socket | None:
        for port in self._ports:
            with contextlib.suppress(OSError):
                found = socket.create_connection(("127.0.0.1", port), timeout=2.0)
                found.settimeout(None)
                return found
        return None

    def _carry(self, a: socket.socket, b: socket.socket) -> None:
        try:
            with contextlib.suppress(OSError):
                while data := a.recv(65536):
                    while self._pulled.is_set():
                        time.sleep(0.02)
                    b.sendall(data)
        finally:
            for end in (a, b):
                with contextlib.suppress(OSError):
                    end.shutdown(socket.SHUT_RDWR)
            a.close()
