"""Readings to the broker. What is to be sent waits in a bounded line; the oldest readings give way, counted.

paho's callbacks run in its network thread, with its locks held: they only put on a queue. One thread of ours
owns everything else.
"""

from __future__ import annotations

import logging
import queue
import socket
import threading
import time
from collections import deque
from contextlib import suppress
from typing import TypeAlias

import paho.mqtt.client as paho

from agent.bridge.line_events import Down, LineEvent, Taken, Up, report_events
from agent.broker.client import Address, Message, make_client

log = logging.getLogger(__name__)

BACKLOG = 20_000
"""Readings kept while the broker is away: half an hour of one scale at 10 Hz."""
WINDOW = 100
"""Readings handed to paho and not yet taken by the broker."""
REFUSED = 0x80
TURN_S = 0.5
NO_ANSWER_S = 6.0
"""So long without any answer and without any error: a broker of the older version may keep silent, and paho
says nothing where TLS ends in the middle."""
GOODBYE_S = 0.5
REMIND_S = 60.0
HINT = "Does it want TLS, a client's certificate, or another version of MQTT?"


_Event: TypeAlias = Message | LineEvent | None


class Publisher:
    """Publishes in the background; `send` never blocks and never fails."""

    def __init__(self, address: Address, will: Message) -> None:
        self.address = address
        self.connected = False
        self.version = "3.1.1" if address.version == "3.1.1" else "5"
        self.dropped = 0
        """Readings that gave way to newer ones."""
        self.taken = 0
        """Messages that the broker has taken."""
        self.beat_s = time.monotonic()
        self._will = will
        self._said: dict[str, Message] = {}
        """The latest of each retained message, said again at every connection."""
        self._events: queue.SimpleQueue[_Event] = queue.SimpleQueue()
        self._backlog: deque[Message] = deque()
        self._waiting: dict[int, Message] = {}
        self._generation = 0
        self._failed_before_answer = 0
        self._heard_s = time.monotonic()
        self._warned: dict[str, float] = {}
        self._over = threading.Event()
        self._client = self._new_client()
        self._thread = threading.Thread(target=self._work, name="publisher", daemon=True)

    def start(self) -> None:
        """Begin to connect."""
        self._thread.start()

    def send(self, message: Message) -> None:
        """Published as soon as the broker can be reached; of a retained topic only the latest message."""
        self._events.put(message)

    def alive(self, within_s: float) -> bool:
        """Whether the thread lives and went round within so many seconds."""
        return self._thread.is_alive() and time.monotonic() - self.beat_s < within_s

    def stop(self, wait_s: float = 3.0) -> None:
        """Publish what can be published within `wait_s`, say the will, and leave."""
        until_s = time.monotonic() + wait_s
        while self.connected and time.monotonic() < until_s:
            if not (self._backlog or self._waiting) and self._events.empty():
                break
            time.sleep(0.02)
        self._over.set()
        self._events.put(None)
        if self._thread.is_alive():
            self._thread.join(timeout=5)

    # Everything below runs in the publisher's own thread.

    def _work(self) -> None:
        self._connect()
        while not self._over.is_set():
            self.beat_s = time.monotonic()
            self._take_events()
            self._hand_over()
            self._supervise()
        with suppress(ValueError, OSError, RuntimeError):
            if self.connected:
                will = self._will
                self._client.publish(will.topic, will.payload, qos=1, retain=True).wait_for_publish(1.0)
        self._leave()

    def _take_events(self) -> None:
        event: _Event
        try:
            event = self._events.get(timeout=TURN_S)
        except queue.Empty:
            return
        # A bounded number of events in a turn, so that a flood cannot keep the beat from being renewed.
        for _ in range(1000):
            self._take(event)
            try:
                event = self._events.get_nowait()
            except queue.Empty:
                return
        self._take(event)

    def _take(self, event: _Event) -> None:
        if isinstance(event, Message):
            self._queue(event)
        elif isinstance(event, Up) and event.generation == self._generation:
            self._up()
        elif isinstance(event, Down) and event.generation == self._generation:
            self._down(event)
        elif isinstance(event, Taken) and event.generation == self._generation:
            self._settle(event)

    def _queue(self, message: Message) -> None:
        if message.retain:
            self._said[message.topic] = message
            if self.connected:
                self._publish(message)
            return
        if len(self._backlog) >= BACKLOG:
            self._backlog.popleft()
            self.dropped += 1
            self._warn("backlog", f"{self.dropped} readings dropped in all: the broker was away for too long")
        self._backlog.append(message)

    def _hand_over(self) -> None:
        while self.connected and self._backlog and len(self._waiting) < WINDOW:
            if not self._publish(self._backlog[0]):
                return
            self._backlog.popleft()

    def _publish(self, message: Message) -> bool:
        info = self._client.publish(message.topic, message.payload, message.qos, message.retain)
        # With QoS 1 paho keeps a message over a lost connection; one of QoS 0 would be gone.
        kept = info.rc == paho.MQTT_ERR_SUCCESS or (message.qos > 0 and info.rc == paho.MQTT_ERR_NO_CONN)
        if kept:
            self._waiting[info.mid] = message
        return kept

    def _settle(self, event: Taken) -> None:
        message = self._waiting.pop(event.mid, None)
        if message is None:
            return
        if event.reason >= REFUSED:
            self._warn(
                message.topic, f"the broker refuses what is published on {message.topic}: its access list"
            )
        else:
            self.taken += 1

    def _up(self) -> None:
        self.connected = True
        self._failed_before_answer = 0
        self._heard_s = time.monotonic()
        self._warned.pop("down", None)
        log.info("connected to %s, MQTT %s", self.address, self.version)
        for message in list(self._said.values()):
            self._publish(message)

    def _down(self, event: Down) -> None:
        self.connected = False
        self._heard_s = time.monotonic()
        # What had QoS 0 and was on its way is lost with the connection, and no answer will come for it.
        self._waiting = {mid: message for mid, message in self._waiting.items() if message.qos}
        self._warn("down", f"no connection to {self.address}: {event.why}")
        if not event.answered:
            self._warn("unanswered", f"{self.address} hung up before it answered. {HINT}")
        if event.unsupported or not event.answered:
            self._failed_before_answer += 1
        if event.unsupported or self._failed_before_answer >= 2:
            self._try_other_version()

    def _try_other_version(self) -> None:
        """A broker of the older version says so, hangs up, or keeps silent.

        Where that was not the reason, the next turn tries the newer one again.
        """
        if self.address.version == "auto":
            self.version = "3.1.1" if self.version == "5" else "5"
        self._failed_before_answer = 0
        self._again()

    def _supervise(self) -> None:
        if not self._network_thread_alive():
            self._warn(
                "thread", f"the connection to {self.address} broke inside; is mqtt.host a host's name?"
            )
            self._again()
        elif not self.connected and time.monotonic() - self._heard_s > NO_ANSWER_S:
            self._warn("unanswered", f"{self.address} answers nothing. {HINT}")
            self._try_other_version()

    def _again(self) -> None:
        """A new client; what the old one had not delivered goes to the head of the line."""
        self._leave()
        self._backlog.extendleft(reversed([m for m in self._waiting.values() if not m.retain]))
        self._waiting.clear()
        self._generation += 1
        self._client = self._new_client()
        self._connect()

    def _connect(self) -> None:
        self._heard_s = time.monotonic()
        self._client.connect_async(self.address.host, self.address.port, self.address.keepalive_s)
        self._client.loop_start()

    def _leave(self) -> None:
        self.connected = False
        with suppress(ValueError, OSError, RuntimeError):
            self._client.disconnect()
        until_s = time.monotonic() + GOODBYE_S
        while self._client.want_write() and time.monotonic() < until_s:
            time.sleep(0.01)
        # paho's thread does not end while a message of QoS 1 waits for its answer, unless the line is cut.
        with suppress(ValueError, OSError, AttributeError):
            self._client.socket().shutdown(socket.SHUT_RDWR)  # type: ignore[union-attr]
        with suppress(ValueError, OSError, RuntimeError):
            self._client.loop_stop()

    def _network_thread_alive(self) -> bool:
        name = f"paho-mqtt-client-{self.address.client_id}"
        return any(thread.name == name for thread in threading.enumerate())

    def _warn(self, about: str, text: str) -> None:
        now_s = time.monotonic()
        if now_s - self._warned.get(about, float("-inf")) >= REMIND_S:
            self._warned[about] = now_s
            log.warning("%s", text)

    def _new_client(self) -> paho.Client:
        client = make_client(self.address, self.version, self._will, 2 * WINDOW)
        report_events(client, self._generation, self._events.put)
        return client
