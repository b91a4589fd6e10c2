"""The page and health of a running agent: the worker pins how it stands on a board, the servers read it.

Where neither is served, nothing here runs and none of their libraries load.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING

from agent.pipeline.pipeline import Pipeline
from agent.settings.site import Site
from agent.web.board import Board
from agent.web.server import WebServer

if TYPE_CHECKING:
    from starlette.types import ASGIApp

    from agent.health.gathering import Pulse
    from agent.runtime.agent import RunningAgent

log = logging.getLogger(__name__)

EVERY_S = 1.0
"""Between two snapshots, monotonic."""
WATCHED_EVERY_S = 0.2
"""The same while somebody looks at the page."""


class Showing:
    """Makes the pipeline that can be watched, and the servers."""

    def __init__(self, site: Site) -> None:
        self._site = site
        self._enabled = site.page.enabled or site.health.enabled
        self.board = Board()
        self.pipeline = Pipeline(site.plan)
        if self._enabled:
            from agent.web.watched_pipeline import WatchedPipeline

            self.pipeline = WatchedPipeline(site.plan)

    def servers(
        self, agent: RunningAgent, outlets: tuple[str, ...], threads: Callable[[], Mapping[str, bool]]
    ) -> list[WebServer]:
        """One for each port that is configured; the agent pins snapshots from now on.

        `outlets` are the names in the journal's outbox, `threads` tells which of the agent's live.
        """
        if not self._enabled:
            return []
        agent.on_turn = Pinner(agent, self.board)
        site, found = self._site, []
        if site.page.enabled:
            found.append(WebServer("the page", site.page.host, site.page.port, self._page))
        if site.health.enabled:
            pulse = _pulse_of(agent, threads)

            def health(_stop: threading.Event) -> ASGIApp:
                from agent.health.app import health_app
                from agent.health.gathering import Gatherer

                names = (site.health.host, *site.health.names)
                return health_app(Gatherer(site.state_dir, outlets, pulse), self.board, names)

            found.append(WebServer("health", site.health.host, site.health.port, health))
        return found

    def _page(self, stop: threading.Event) -> ASGIApp:
        from agent.page.app import page_app

        return page_app(self._site, self.board, stop)


class Pinner:
    """Pins snapshots in the worker's thread; a fault in showing must not stop the work."""

    def __init__(self, agent: RunningAgent, board: Board) -> None:
        self._agent = agent
        self._board = board
        self._pinned_s = float("-inf")
        self._failed = False

    def __call__(self) -> None:
        """After every turn."""
        now_s = time.monotonic()
        watched = self._board.is_watched
        if self._failed or now_s - self._pinned_s < (WATCHED_EVERY_S if watched else EVERY_S):
            return
        self._pinned_s = now_s
        try:
            self._pin(watched=watched)
        except Exception:
            self._failed = True
            log.exception("what the page and health show ends here; the agent works on")

    def _pin(self, *, watched: bool) -> None:
        from agent.web.snapshot import Snapshot
        from agent.web.watched_pipeline import WatchedPipeline

        agent, pipeline = self._agent, self._agent.pipeline
        if not isinstance(pipeline, WatchedPipeline):
            raise TypeError("the agent was wired with a pipeline that cannot be watched")
        self._board.pin(
            Snapshot(
                at_s=agent.clock.now_s(),
                cells=pipeline.cells(with_curves=watched),
                own_alarms=pipeline.own_alarms(),
                counts=pipeline.counts(),
                troubles=tuple(agent.trouble.holding()),
                connected=agent.link.connected,
                mqtt_version=agent.link.version,
                waiting=agent.link.inbox.qsize(),
                shed=agent.link.shed,
                last_message_s=agent.hearing.last_message_s,
            )
        )


def _pulse_of(agent: RunningAgent, threads: Callable[[], Mapping[str, bool]]) -> Callable[[], Pulse]:
    def pulse() -> Pulse:
        from agent.health.gathering import Pulse

        return Pulse(
            threads=threads(),
            turn_age_s=max(0.0, time.monotonic() - agent.last_turn_monotonic_s),
            network_alive=agent.link.thread_alive(),
            journal_fault=agent.journal_fault,
            now_s=agent.clock.now_s(),
        )

    return pulse
