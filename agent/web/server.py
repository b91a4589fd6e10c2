"""Serves an application over HTTP from a thread of its own; trouble there never reaches the worker.

The libraries load in that thread, so an agent that serves nothing loads none of them.
"""

from __future__ import annotations

import logging
import socket
import threading
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from starlette.types import ASGIApp

log = logging.getLogger(__name__)

MOST_CONNECTIONS = 64
"""At more than this the server answers 503."""
LINES_UP = 16
AGAIN_S = 30.0
"""A port that is taken is tried again after so long."""
LETS_GO_WITHIN_S = 1
LOOK_S = 0.2


class WebServer:
    """One application on one port. `run` is a thread's work and returns once `stop` is set."""

    def __init__(
        self, what: str, host: str, port: int, make_app: Callable[[threading.Event], ASGIApp]
    ) -> None:
        """`what` names it in the log; `make_app` is called in the server's thread."""
        self._what, self._host, self._asked_port = what, host, port
        self._make_app = make_app
        self.port: int | None = None
        """The port it listens on; None while it does not."""

    def run(self, stop: threading.Event) -> None:
        """Serve until `stop` is set. What goes wrong is logged and tried again; nothing is raised."""
        while not stop.is_set():
            try:
                self._serve(stop)
            except OSError as fault:
                log.error(  # noqa: TRY400  the address is all that a traceback could tell
                    "%s is not served on %s port %s: %s; trying again every %.0f s",
                    self._what,
                    self._host,
                    self._asked_port,
                    fault,
                    AGAIN_S,
                )
            except ImportError as fault:
                log.error(  # noqa: TRY400
                    "%s is not served: %s; install it with: pip install 'shotgram[page]'", self._what, fault
                )
                return
            except Exception:
                log.exception("%s failed", self._what)
            finally:
                self.port = None
            stop.wait(AGAIN_S)

    def _serve(self, stop: threading.Event) -> None:
        import uvicorn

        with _listening(self._host, self._asked_port) as listener:
            self.port = int(listener.getsockname()[1])
            config = uvicorn.Config(
                self._make_app(stop),
                loop="asyncio",
                http="h11",
                ws="none",
                lifespan="off",
                log_config=None,
                log_level="warning",
                access_log=False,
                proxy_headers=False,
                server_header=False,
                limit_concurrency=MOST_CONNECTIONS,
                timeout_graceful_shutdown=LETS_GO_WITHIN_S,
            )
            server = uvicorn.Server(config)
            log.info("%s on %s", self._what, _url(self._host, self.port))
            ends = threading.Thread(target=_end_with, args=(server, stop), name=f"{self._what} end")
            ends.start()
            try:
                server.run(sockets=[listener])
            finally:
                server.should_exit = True
                ends.join()


def _end_with(server: Any, stop: threading.Event) -> None:
    while not server.should_exit:
        if stop.wait(LOOK_S):
            server.should_exit = True


def _listening(host: str, port: int) -> socket.socket:
    family, kind, protocol, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
    listener = socket.socket(family, kind, protocol)
    try:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind(address)
        listener.listen(LINES_UP)
    except OSError:
        listener.close()
        raise
    return listener


def _url(host: str, port: int) -> str:
    return f"http://[{host}]:{port}/" if ":" in host else f"http://{host}:{port}/"
