"""`/health` and `/metrics`: read only, for whoever watches the agent."""

from __future__ import annotations

import threading
from collections.abc import Iterable
from typing import Any

from prometheus_client import CollectorRegistry
from prometheus_client.exposition import choose_encoder
from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from agent import __version__
from agent.health.gathering import Gatherer
from agent.health.metrics import AgentCollector, Facts
from agent.health.vitals import reasons
from agent.web.board import Board
from agent.web.hosts import OwnNames


def health_app(gatherer: Gatherer, board: Board, names: Iterable[str] = ()) -> Starlette:
    """The application. Its handlers run in threads of the server, never in the worker.

    `names` are those it answers to, beside loopback's and this machine's own.
    """
    one_at_a_time = threading.Lock()

    def facts() -> Facts:
        pulse, vitals = gatherer.gather()
        pinned = board.read()
        return Facts(pulse.now_s, vitals, pinned.snapshot if pinned else None)

    registry = CollectorRegistry(auto_describe=False)
    registry.register(AgentCollector(facts))

    def health(_request: Request) -> Response:
        with one_at_a_time:
            found = facts()
        body = health_body(found)
        return JSONResponse(body, status_code=200 if body["healthy"] else 503, headers=NEVER_KEPT)

    def metrics(request: Request) -> Response:
        encoder, kind = choose_encoder(request.headers.get("accept", "application/openmetrics-text"))
        with one_at_a_time:
            text = encoder(registry)
        return Response(text, headers={"content-type": kind} | NEVER_KEPT)

    return Starlette(
        routes=[Route("/health", health), Route("/metrics", metrics)],
        middleware=[Middleware(OwnNames, names=names)],
    )


NEVER_KEPT = {"cache-control": "no-store"}


def health_body(facts: Facts) -> dict[str, Any]:
    """What `/health` answers: whether all is well, why not, and what is worth knowing beside."""
    found = reasons(facts.vitals)
    snapshot = facts.snapshot
    return {
        "healthy": not found,
        "version": __version__,
        "reasons": [{"code": reason.code, "text": reason.text} for reason in found],
        "worker_turn_age_s": round(facts.vitals.turn_age_s, 3),
        "broker_connected": snapshot.connected if snapshot else None,
        "troubles": list(snapshot.troubles) if snapshot else [],
        "cells": {cell.name: cell.desk.state for cell in snapshot.cells} if snapshot else {},
    }
