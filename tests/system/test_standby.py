"""Two like agents on one broker: one speaks, the other takes over when it dies, and never do both speak.

Source of the fence: MQTT 5, [MQTT-3.1.4-3]: where a client id is connected already, the server closes the
network connection of the existing client.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import socket
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from running_agent import Listener, RunningAgent, Shots, wait_until

pytestmark = [pytest.mark.real_part("mosquitto"), pytest.mark.timeout(180)]

TAKES_OVER_S = 10.0


class Cable:
    """A line between an agent and the broker that can be pulled: nothing arrives, and nobody is told."""

    def __init__(self, port: int) -> None:
        self._broker = port
        self._pulled = threading.Event()
        self._unanswered: list[socket.socket] = []
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port = self._server.getsockname()[1]
        threading.Thread(target=self._accept, daemon=True).start()

    def pull(self) -> None:
        self._pulled.set()

    def mend(self) -> None:
        self._pulled.clear()
        while self._unanswered:
            self._unanswered.pop().close()

    def close(self) -> None:
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
            try:
                other = socket.create_connection(("127.0.0.1", self._broker))
            except OSError:
                one.close()
                continue
            for a, b in ((one, other), (other, one)):
                threading.Thread(target=self._carry, args=(a, b), daemon=True).start()

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


class Pair:
    """Two agents of one configuration, each with a folder of its own, and an ear for what they say."""

    def __init__(self, folder: Path, broker: Any) -> None:
        self.broker = broker
        self.cable = Cable(broker.port)
        self.agents: list[RunningAgent] = []
        for name, port in (("a", self.cable.port), ("b", broker.port)):
            (folder / name).mkdir()
            agent = RunningAgent(folder / name, port)
            text = agent.config.read_text()
            agent.config.write_text(
                text.replace('state_dir = "state"', 'state_dir = "state"\nstandby = true')
            )
            self.agents.append(agent)
        self.listener = Listener(broker.port)

    def start(self) -> None:
        """The first agent has the turn, the second stands by."""
        first, second = self.agents
        first.start()
        wait_until(lambda: bool(self.holders()), 30.0)
        second.start()
        wait_until(lambda: "connected to" in second.log_text(), 30.0)
        time.sleep(2.0)

    def holders(self) -> list[str]:
        """Who renewed the lease, in order, each turn once."""
        turns: list[str] = []
        for topic, payload, retained in list(self.listener.heard):
            if topic == "yard/agent/edge-7/lease" and not retained:
                holder = json.loads(payload)["holder"]
                if not turns or turns[-1] != holder:
                    turns.append(holder)
        return turns

    def dispenses(self) -> Counter[str]:
        return Counter(body["id"] for body in self.listener.records("dispense"))

    def close(self) -> None:
        for agent in self.agents:
            if agent._process is not None:
                os.kill(agent.pid, signal.SIGCONT) if agent._process.poll() is None else None
            agent.kill()
        self.cable.close()
        self.listener.close()


@pytest.fixture
def pair(tmp_path: Path, mosquitto: Any) -> Iterator[Pair]:
    two = Pair(tmp_path, mosquitto)
    yield two
    two.close()


def _killed(pair: Pair) -> None:
    pair.agents[0].kill()


def _stopped(pair: Pair) -> None:
    os.kill(pair.agents[0].pid, signal.SIGSTOP)


def _cable_pulled(pair: Pair) -> None:
    pair.cable.pull()


@pytest.mark.parametrize("strike", [_killed, _stopped, _cable_pulled])
def test_the_other_takes_over_within_ten_seconds_and_tells_the_shot_that_ran(
    pair: Pair, strike: Callable[[Pair], None]
) -> None:
    pair.start()
    assert len(pair.holders()) == 1
    shots = Shots(pair.listener)
    shots.rest(4.0)
    shots.shoot(4.0)
    shots.rest(12.0)
    wait_until(lambda: len(pair.dispenses()) == 1, 20.0)
    struck = threading.Timer(2.0, strike, [pair])
    struck.start()
    began = time.monotonic() + 2.0
    took: list[float] = []

    def watch() -> None:
        while len(pair.holders()) < 2 and time.monotonic() < began + 30.0:
            time.sleep(0.05)
        took.append(time.monotonic() - began)

    watcher = threading.Thread(target=watch)
    watcher.start()
    shots.shoot(4.0)
    shots.rest(13.0)
    watcher.join()
    assert took[0] < TAKES_OVER_S, pair.agents[1].log_text()
    wait_until(lambda: len(pair.dispenses()) == 2, 20.0)
    flows = {body["id"]: body["flow_g_per_min"] for body in pair.listener.records("dispense")}
    for flow in flows.values():
        assert flow == pytest.approx(84.0, rel=0.02)
    assert set(pair.dispenses().values()) == {1}
    # The one that was struck comes back, and does not speak: its connection is not its any more.
    if strike is _killed:
        pair.agents[0].start()
    elif strike is _stopped:
        os.kill(pair.agents[0].pid, signal.SIGCONT)
    else:
        pair.cable.mend()
    shots.shoot(4.0)
    shots.rest(13.0)
    wait_until(lambda: len(pair.dispenses()) == 3, 20.0)
    time.sleep(2.0)
    assert len(pair.holders()) == 2
    assert set(pair.dispenses().values()) == {1}
    # And back: the turn goes to the one that was struck, which heard it all.
    if strike is _stopped:
        pair.agents[1].kill()
        wait_until(lambda: len(pair.holders()) == 3, TAKES_OVER_S)
        assert pair.holders()[2] == pair.holders()[0]
        time.sleep(3.0)
        assert set(pair.dispenses().values()) == {1}


def test_a_goodbye_hands_over_at_once(pair: Pair) -> None:
    pair.start()
    began = time.monotonic()
    assert pair.agents[0].stop(signal.SIGTERM) == 0
    wait_until(lambda: len(pair.holders()) == 2, TAKES_OVER_S)
    assert time.monotonic() - began < 5.0
    wait_until(
        lambda: (
            [json.loads(p)["state"] for t, p, _ in pair.listener.heard if t.endswith("/state")][-1]
            == "online"
        )
    )


def test_a_broker_that_restarts_leaves_one_voice(pair: Pair) -> None:
    pair.start()
    pair.broker.kill()
    pair.broker.start()
    turns = len(pair.holders())
    wait_until(lambda: sum("our turn to speak: nobody" in a.log_text() for a in pair.agents) >= 1, 30.0)
    time.sleep(8.0)
    assert len(pair.holders()) in (turns, turns + 1)
    fenced = pair.broker.log_text.count("already connected")
    assert fenced == 0, "two claimed at the same time although they wait apart"
