"""The bridge: every serial scale of a site in a thread of its own, one connection to the broker."""

from __future__ import annotations

import json
import logging
import threading
import time
from collections.abc import Callable
from typing import Any

from agent import __version__
from agent.bridge.publisher import Publisher
from agent.bridge.readings import Reading
from agent.bridge.scale_line import ScaleLine
from agent.broker.client import Address, Message
from agent.contract.times import rfc3339
from agent.contract.topics import Topics
from agent.settings.entrance import beside, entrance, habits
from agent.settings.serial_line import SerialScale
from agent.settings.site import Site

log = logging.getLogger(__name__)

TURN_S = 0.5
STATE_EVERY_S = 30.0
STUCK_S = 30.0
"""Opening a port through a device server may take some 10 s; a thread that is away for longer is stuck."""


class Bridge:
    """Reads until `stop` is set. Raises SecretUnreadable where a password cannot be read."""

    def __init__(self, site: Site) -> None:
        self.site = site
        self.topics = Topics(site.plan.root)
        self._state_topic = self.topics.bridge_state(site.plan.agent)
        self.publisher = Publisher(
            address_of(site), Message(self._state_topic, self._offline(), 1, retain=True)
        )
        self.lines = [ScaleLine(scale, self._publish) for scale in site.serial_scales]
        self._said: list[tuple[str, str]] = []
        self._said_s = float("-inf")

    def run(self, stop: threading.Event, alive: Callable[[], None] = lambda: None) -> None:
        """Work until `stop` is set; `alive` is called in every turn in which all threads are well."""
        for line in self.lines:
            log.info("%s: reads %s", line.scale, line.scale.line.port)
            line.start()
        self.publisher.start()
        try:
            while not stop.wait(TURN_S):
                self._say_state()
                if self.well():
                    alive()
        finally:
            for line in self.lines:
                line.stop()
            self.publisher.stop()

    def well(self) -> bool:
        """Whether every thread goes round: what a watchdog may rely on. Nothing about ports or the broker."""
        return self.publisher.alive(STUCK_S) and all(line.alive(STUCK_S) for line in self.lines)

    def state(self) -> dict[str, Any]:
        """How it is with the bridge and each scale's line."""
        return {
            "state": "online",
            "at": rfc3339(time.time()),
            "version": __version__,
            "dropped": self.publisher.dropped,
            "scales": [_state_of(line) for line in self.lines],
        }

    def _publish(self, scale: SerialScale, reading: Reading) -> None:
        topic = self.topics.reading(scale.cell, scale.scale)
        self.publisher.send(Message(topic, reading.payload(), scale.line.qos))

    def _say_state(self) -> None:
        now_s = time.monotonic()
        saying: list[tuple[str, str]] = [(line.condition.state, line.condition.text) for line in self.lines]
        if saying == self._said and now_s - self._said_s < STATE_EVERY_S:
            return
        self._said, self._said_s = saying, now_s
        payload = json.dumps(self.state(), ensure_ascii=False, separators=(",", ":")).encode()
        self.publisher.send(Message(self._state_topic, payload, 1, retain=True))

    def _offline(self) -> bytes:
        return json.dumps({"state": "offline", "version": __version__}, separators=(",", ":")).encode()


def address_of(site: Site) -> Address:
    """Where the bridge connects and as whom. Raises SecretUnreadable where a secret cannot be read."""
    mqtt = beside(site.mqtt, site.bridge)
    client_id = site.bridge.client_id or f"{site.client_id}-bridge"
    return Address(**entrance(mqtt, mqtt.host), **habits(mqtt), client_id=client_id)


def _state_of(line: ScaleLine) -> dict[str, Any]:
    condition, readings = line.condition, line.readings
    return {
        "cell": line.scale.cell,
        "scale": line.scale.scale,
        "state": condition.state,
        "text": condition.text,
        "since": rfc3339(condition.since_s),
        "read": readings.good,
        "not_read": dict(sorted(readings.faults.items())),
    }
