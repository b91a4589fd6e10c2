"""A simulated cell against a real MQTT broker, in real time or faster.

The cell's time starts at a given moment (now, by default) and runs `speed` times as fast as the wall clock.
Everything the cell sends carries that time as `t`; an agent that is to follow it at speed needs a clock that
runs as fast, which `now_s` gives.
"""

from __future__ import annotations

import logging
import queue
import threading
import time
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from simulators.cell import Cell
from simulators.messages import TrueDispense
from simulators.scenarios import Scenario, load_scenario
from simulators.scenarios.staging import build_cell
from simulators.site import Site, SiteError, bench_text, site_of

log = logging.getLogger(__name__)
TURN_S = 0.02
"""Wall time between two turns: what is published together at speed 1 is never older than that."""
CONNECTS_WITHIN_S = 5.0
MOST_QUEUED = 10_000


class SimulatedCell:
    """A simulated cell, connected, in a thread of its own. Use `start` and `stop`, or `with`."""

    def __init__(
        self,
        host: str,
        port: int,
        site: Site | str | None = None,
        cell: str | None = None,
        *,
        scenario: Scenario | str = "good-day",
        speed: float = 1.0,
        seed: int = 1,
        start_s: float | None = None,
        runs_checks: bool = True,
        prepare: Callable[[mqtt.Client], None] | None = None,
    ) -> None:
        """`site` is a configuration's text or a `Site`; left out, it is the invented shop's.

        With `runs_checks` the controller starts the scenario's checks by itself; without, it waits for
        requests. `prepare` may set TLS and credentials on the client before it connects. Raises SiteError
        where site and scenario do not fit, ValueError for a speed that is not above 0.
        """
        if not speed > 0:
            raise ValueError(f"speed is {speed!r}; a number above 0 is wanted")
        self.speed = speed
        self._address = (host, port)
        self._wall_start = 0.0
        self._lock = threading.Lock()
        site = site if isinstance(site, Site) else site_of(site or bench_text())
        story = load_scenario(scenario) if isinstance(scenario, str) else scenario
        begins_s = time.time() if start_s is None else start_s
        self.cell: Cell = build_cell(site, story, cell, seed=seed, start_s=begins_s, runs_checks=runs_checks)
        if speed != 1.0:
            # The agent's clock may run at another pace than ours: a request's life is what it says itself.
            self.cell.controller.manners.expiry_on_own_clock = False
        self.published = 0
        self.fault: str | None = None
        """Why it stopped by itself, if it did."""
        self._heard: queue.Queue[tuple[str, bytes]] = queue.Queue(MOST_QUEUED)
        self._stopping = threading.Event()
        self._connected = threading.Event()
        self._thread: threading.Thread | None = None
        self._client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=f"simulated-{self.cell.name}-{seed}-{id(self) & 0xFFFF:04x}",
        )
        self._client.reconnect_delay_set(1, 5)
        self._client.on_connect = self._on_connect
        self._client.on_disconnect = lambda *_: self._connected.clear()
        self._client.on_message = self._on_message
        if prepare is not None:
            prepare(self._client)

    def start(self) -> Self:
        """Connect and let the cell's time run.

        Raises SiteError where the broker cannot be reached within a few seconds.
        """
        host, port = self._address
        try:
            self._client.connect(host, port, keepalive=20)
        except OSError as fault:
            raise SiteError(f"no broker at {host}:{port}: {fault}") from fault
        self._client.loop_start()
        if not self._connected.wait(CONNECTS_WITHIN_S):
            self._client.loop_stop()
            raise SiteError(f"the broker at {host}:{port} let nobody in within {CONNECTS_WITHIN_S:g} s")
        self._wall_start = time.monotonic()
        self._thread = threading.Thread(target=self._run, name="simulated-cell", daemon=True)
        self._thread.start()
        return self

    def stop(self) -> None:
        """Stop the cell's time and disconnect. May be called twice."""
        self._stopping.set()
        if self._thread is not None:
            self._thread.join(5.0)
            self._thread = None
        self._client.disconnect()
        self._client.loop_stop()

    def __enter__(self) -> Self:
        return self.start()

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    def now_s(self) -> float:
        """The cell's time now, epoch seconds; before `start`, its beginning."""
        if not self._wall_start:
            return self.cell.start_s
        return self.cell.start_s + (time.monotonic() - self._wall_start) * self.speed

    def ask(self, action: Callable[[Cell], None]) -> None:
        """Do something to the cell between two of its turns: `simulated.ask(lambda c: c.unplug("floor"))`."""
        with self._lock:
            action(self.cell)

    @property
    def quiet(self) -> bool:
        """Whether no programme runs and nothing is planned."""
        with self._lock:
            return self.cell.quiet

    def truth(self) -> list[TrueDispense]:
        """What was really dispensed until now."""
        with self._lock:
            return list(self.cell.truth)

    def write_truth(self, path: Path) -> None:
        """The truth as JSON Lines. Raises OSError where the file cannot be written."""
        path.write_text("".join(f"{line.as_line()}\n" for line in self.truth()), encoding="utf-8")

    def _run(self) -> None:
        try:
            while not self._stopping.wait(TURN_S):
                self._turn()
        except Exception as fault:
            self.fault = f"{type(fault).__name__}: {fault}"
            log.exception("the simulated cell stopped")

    def _turn(self) -> None:
        with self._lock:
            while True:
                try:
                    topic, payload = self._heard.get_nowait()
                except queue.Empty:
                    break
                self.cell.hear(topic, payload)
            messages = self.cell.advance(self.now_s())
        for message in messages:
            # While the line is down, readings are lost as a real scale's are; paho keeps QoS 1 for later.
            if message.qos or self._connected.is_set():
                self._client.publish(message.topic, message.payload, message.qos, message.retain)
                self.published += 1

    def _on_connect(
        self, client: mqtt.Client, _data: Any, _flags: Any, reason: Any, _properties: Any
    ) -> None:
        if reason.is_failure:
            log.warning("the broker refuses the simulated cell: %s", reason)
            return
        topics, name = self.cell.topics, self.cell.name
        client.subscribe([(topics.request(name), 1), (topics.advice(name, "+"), 1)])
        self._connected.set()

    def _on_message(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        if message.retain:
            return  # said before this cell began
        try:
            self._heard.put_nowait((message.topic, bytes(message.payload)))
        except queue.Full:
            log.warning("too many messages to the simulated cell; one on %s was dropped", message.topic)
