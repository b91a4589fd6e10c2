"""What works only in its turn ends as soon as the turn is not ours for certain."""

from __future__ import annotations

import threading
import time
from types import SimpleNamespace
from typing import Any, cast

from agent.runtime.standby import TurnOver, in_turn


def link(*, surely_holds: bool) -> Any:
    return cast("Any", SimpleNamespace(surely_holds=surely_holds))


def test_a_turn_that_is_not_certain_is_over_without_being_told() -> None:
    ours = link(surely_holds=True)
    over = TurnOver(ours)
    assert not over.is_set()
    assert not over.wait(0.01)
    ours.surely_holds = False
    assert over.is_set()
    assert over.wait(0.01)
    ours.surely_holds = True
    assert over.is_set(), "what was ended stays ended; the next turn is another one"


def test_an_outlet_works_only_in_its_turn() -> None:
    ours = link(surely_holds=False)
    done: list[float] = []

    def outlet(over: threading.Event) -> None:
        while not over.is_set():
            done.append(time.monotonic())
            over.wait(0.01)

    stop = threading.Event()
    thread = threading.Thread(target=in_turn(outlet, ours), args=(stop,))
    thread.start()
    time.sleep(0.5)
    assert done == []
    ours.surely_holds = True
    time.sleep(0.6)
    assert len(done) > 2
    ours.surely_holds = False
    time.sleep(0.1)
    by_then = len(done)
    time.sleep(0.5)
    assert len(done) == by_then
    # For a moment uncertain, and ours again: it begins anew, and nobody takes it for dead.
    ours.surely_holds = True
    time.sleep(0.6)
    ours.surely_holds = False
    time.sleep(0.05)
    ours.surely_holds = True
    time.sleep(0.8)
    by_then = len(done)
    time.sleep(0.3)
    assert len(done) > by_then
    assert thread.is_alive()
    stop.set()
    thread.join(5.0)
    assert not thread.is_alive()


def test_an_outlet_that_ends_by_itself_is_seen_to_end() -> None:
    thread = threading.Thread(
        target=in_turn(lambda _over: None, link(surely_holds=True)), args=(threading.Event(),)
    )
    thread.start()
    thread.join(5.0)
    assert not thread.is_alive()
