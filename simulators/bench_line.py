"""The broker beside a bench, and the one client of the bench on it."""

from __future__ import annotations

import json
import threading
from collections import Counter, deque
from dataclasses import dataclass
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from simulators.broker import EmbeddedBroker

WAITS_S = 5.0
MOST_KEPT = 200_000


@dataclass(frozen=True, slots=True)
class Heard:
    """A message that the broker distributed."""

    topic: str
    payload: bytes

    @property
    def body(self) -> Any:
        """The payload as JSON. Raises ValueError where it is none."""
        return json.loads(self.payload)


class BenchLine:
    """Publishes what bench and agent say, keeps what the broker distributes, tells apart what others say."""

    def __init__(self, root: str) -> None:
        self.broker = EmbeddedBroker()
        self._root = root
        self._flush_topic = f"{root}/bench/flush"
        self._subscribed = threading.Event()
        self._came = threading.Condition()
        self._heard: deque[Heard] = deque(maxlen=MOST_KEPT)
        self._echoes: Counter[tuple[str, bytes]] = Counter()
        self._from_others: deque[Heard] = deque(maxlen=MOST_KEPT)
        self._flushes = 0
        self._flush_came = 0
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=f"bench-{id(self):x}")
        self._client.on_connect = lambda client, *_: client.subscribe(f"{root}/#", 1)
        self._client.on_subscribe = lambda *_: self._subscribed.set()
        self._client.on_message = self._on_message

    def start(self) -> None:
        """Start the broker and connect. Raises TimeoutError where it does not answer."""
        self.broker.start()
        self._client.connect(self.broker.host, self.broker.port)
        self._client.loop_start()
        if not self._subscribed.wait(WAITS_S):
            raise TimeoutError("the embedded broker did not answer")

    def stop(self) -> None:
        """Disconnect and stop the broker."""
        self._client.disconnect()
        self._client.loop_stop()
        self.broker.stop()

    def publish(self, topic: str, data: bytes, *, retain: bool = False) -> None:
        """Publish, where connected."""
        if self._subscribed.is_set():
            with self._came:
                self._echoes[topic, data] += 1
            self._client.publish(topic, data, qos=1, retain=retain)

    def from_others(self) -> list[Heard]:
        """What other clients said since this was last asked."""
        said: list[Heard] = []
        while self._from_others:
            said.append(self._from_others.popleft())
        return said

    def heard(self, topic: str) -> list[Heard]:
        """All that the broker distributed on a topic (filter) until now, in order.

        Raises TimeoutError where the broker does not give back what was published.
        """
        self._flush()
        return [one for one in list(self._heard) if mqtt.topic_matches_sub(topic, one.topic)]

    def _flush(self) -> None:
        if not self._subscribed.is_set():
            return
        self._flushes += 1
        self._client.publish(self._flush_topic, str(self._flushes).encode(), qos=1)
        with self._came:
            if not self._came.wait_for(lambda: self._flush_came >= self._flushes, WAITS_S):
                raise TimeoutError("the embedded broker did not give back what was published")

    def _on_message(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        data = bytes(message.payload)
        with self._came:
            if message.topic == self._flush_topic:
                self._flush_came = int(data)
                self._came.notify_all()
                return
            heard = Heard(message.topic, data)
            self._heard.append(heard)
            key = (message.topic, data)
            if key not in self._echoes:
                self._from_others.append(heard)
            elif self._echoes[key] > 1:
                self._echoes[key] -= 1
            else:
                del self._echoes[key]
