"""The page as an application: five addresses, read only, nothing from elsewhere."""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING

from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.routing import Route

from agent.page.events import Events
from agent.page.screen import Screen, asset
from agent.report.page import chart_style
from agent.settings.site import Site
from agent.web.board import Board
from agent.web.hosts import OwnNames

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

HEADERS = (
    (
        b"content-security-policy",
        b"default-src 'none'; style-src 'self'; script-src 'self'; connect-src 'self'; img-src 'self'; "
        b"base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
    ),
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"cross-origin-opener-policy", b"same-origin"),
)
NEVER_KEPT = {"cache-control": "no-store"}


def page_app(site: Site, board: Board, stop: threading.Event) -> Starlette:
    """The application. All of it runs in the server's thread."""
    screen = Screen(site, board)
    style = f"{chart_style()}\n{asset('page.css')}"
    script, mark = asset("page.js"), asset("mark.svg")

    async def page(_request: Request) -> Response:
        board.look()
        return HTMLResponse(screen.page(), headers=NEVER_KEPT)

    async def cells(_request: Request) -> Response:
        return HTMLResponse(screen.shown().html, headers=NEVER_KEPT)

    async def css(_request: Request) -> Response:
        return Response(style, media_type="text/css", headers=NEVER_KEPT)

    async def javascript(_request: Request) -> Response:
        return Response(script, media_type="text/javascript", headers=NEVER_KEPT)

    async def icon(_request: Request) -> Response:
        return Response(mark, media_type="image/svg+xml")

    return Starlette(
        routes=[
            Route("/", page),
            Route("/cells", cells),
            Route("/events", Events(screen, board, stop), methods=["GET"]),
            Route("/page.css", css),
            Route("/page.js", javascript),
            Route("/mark.svg", icon),
        ],
        middleware=[Middleware(Strict), Middleware(OwnNames, names=(site.page.host, *site.page.names))],
    )


class Strict:
    """Adds the headers that let a browser load and show nothing but this page's own files."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request."""

        async def sending(message: Message) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = [*message["headers"], *HEADERS]
            await send(message)

        await self._app(scope, receive, sending)
