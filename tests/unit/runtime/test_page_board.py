"""The board between worker and servers: cheap for the worker, and no trouble of theirs is his."""

from __future__ import annotations

import logging
import time
from typing import Any

import pytest
from played_journal import SITE, START_S, site_in

from agent.contract.inputs import RawMessage
from agent.intake.capture import read_capture
from agent.runtime.showing import Pinner, Showing
from agent.web.board import Board
from agent.web.watched_pipeline import CURVE_POINTS, WatchedPipeline
from simulators.capture import simulate_capture


class Link:
    connected, version, shed = True, "5", 0

    class inbox:  # noqa: N801
        qsize = staticmethod(lambda: 3)


def agent(pipeline: Any) -> Any:
    """A stand-in for the running agent."""
    return Agent(pipeline)


class Agent:
    """As much of a running agent as is pinned."""

    def __init__(self, pipeline: Any) -> None:
        self.pipeline, self.link = pipeline, Link()
        self.hearing = type("H", (), {"last_message_s": START_S})
        self.clock = type("C", (), {"now_s": staticmethod(lambda: START_S)})
        self.trouble = type("T", (), {"holding": staticmethod(lambda: ["sink-down"])})


@pytest.fixture(scope="module")
def fed(tmp_path_factory: pytest.TempPathFactory) -> WatchedPipeline:
    site = site_in(tmp_path_factory.mktemp("site"))
    pipeline = WatchedPipeline(site.plan)
    lines = (f"{line}\n".encode() for line in simulate_capture("good-day", site=SITE, start_s=START_S))
    for item in read_capture(lines):
        assert isinstance(item, RawMessage)
        pipeline.take(item)
    return pipeline


def test_what_went_through_was_counted(fed: WatchedPipeline) -> None:
    counts = fed.counts()
    assert counts.shots["booth-2", "shot", "good"] == 6
    assert counts.records["check"] == 2
    assert counts.messages["booth-2", "reading"] > 1000
    assert sum(counts.fits) == sum(counts.shots.values())
    assert counts.fit_sum_s > 0.0


def test_a_snapshot_costs_the_worker_little(fed: WatchedPipeline) -> None:
    board = Board()
    board.look()
    pin = Pinner(agent(fed), board)
    took = []
    for _ in range(50):
        pin._pinned_s = float("-inf")
        began = time.perf_counter()
        pin()
        took.append(time.perf_counter() - began)
    pinned = board.read()
    assert pinned is not None
    assert pinned.number == 50
    assert len(pinned.snapshot.cells[0].curves[0].t_s) <= CURVE_POINTS
    # Five a second while somebody looks: less than a hundredth of the worker's time, with ample room.
    assert sorted(took)[25] < 0.01


def test_curves_are_made_only_while_somebody_looks(fed: WatchedPipeline) -> None:
    board = Board()
    Pinner(agent(fed), board)()
    pinned = board.read()
    assert pinned is not None
    assert pinned.snapshot.cells[0].curves == ()


def test_a_fault_in_showing_ends_the_showing_and_nothing_else(caplog: pytest.LogCaptureFixture) -> None:
    board = Board()
    pin = Pinner(agent(object()), board)
    with caplog.at_level(logging.ERROR):
        for _ in range(3):
            pin._pinned_s = float("-inf")
            pin()
    assert board.read() is None
    assert len(caplog.records) == 1


def test_where_nothing_is_served_nothing_is_watched(tmp_path: Any) -> None:
    showing = Showing(site_in(tmp_path))
    assert type(showing.pipeline).__name__ == "Pipeline"
