"""The connection to the broker: kept, resumed, and with acknowledgements in the worker's hands.

paho's callbacks run in paho's own thread, where an exception would end that thread while
`is_connected()` stays true: so they only put values on the inbox. Everything else is the worker's.

An acknowledgement belongs to the connection on which its message came (`generation`): after a broker that
lost the session, message numbers start anew, and a late one would acknowledge a message never seen.
"""

from __future__ import annotations

import logging
import queue
import ssl
import threading
import time
from collections.abc import Sequence
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from agent.broker.client import Address, Client, Message, make_client
from agent.contract.inputs import RawMessage
from agent.runtime.clock import Clock
from agent.runtime.happenings import (
    Arrival,
    Happening,
    LineFault,
    LinkDown,
    LinkUp,
    Published,
    Subscribed,
)

log = logging.getLogger(__name__)

INBOX_LIMIT = 20_000
"""Readings (QoS 0) beyond this many waiting are shed, and the shedding is declared."""
INBOX_BYTES = 16 * 1024 * 1024
"""Or beyond so many bytes of payload."""
RECEIVE_MAXIMUM = 200
LARGEST_PACKET = 128 * 1024
"""Larger messages stay with the broker (MQTT 5): nobody has that much to say here, and 200 of them fit."""
QUEUED = 10_000
"""Our own messages that may wait in paho; the outbox keeps the rest."""
ANSWER_S = 2.0
"""A broker that has not answered a CONNECT for so long may not know our version of the protocol."""
ENDS_WITHIN_S = 1.5
UNSUPPORTED_VERSION = 0x84
REFUSED = 0x80


_KINDS: dict[int, LineFault] = {0x8D: "hung", 0x8E: "taken-over"}
"""Reason codes of MQTT 5, as paho gives them to `on_disconnect`: keep alive timeout, session taken over."""


class MqttLink:
    """One persistent MQTT session. `start`, then take from `inbox`; `stop` leaves cleanly."""

    def __init__(
        self,
        broker: Address,
        filters: Sequence[tuple[str, int]],
        will: tuple[str, bytes] | None,
        clock: Clock,
        inbox: queue.SimpleQueue[Happening] | None = None,
    ) -> None:
        self.broker = broker
        self.inbox: queue.SimpleQueue[Happening] = inbox or queue.SimpleQueue()
        self.generation = 0
        self.connected = False
        self.version = "3.1.1" if broker.version == "3.1.1" else "5"
        self.shed = 0
        """Readings dropped because the worker was too far behind."""
        self.waiting_bytes = 0
        """Payload in the inbox, about; the worker counts it down by `taken`."""
        self._filters = list(filters)
        self._will = will
        self._clock = clock
        self._opened_s: float | None = None
        self._turned_away = False
        self._lock = threading.Lock()
        # An acknowledgement and the end of its connection never overlap: see `acknowledge`.
        self._ack_lock = threading.Lock()
        self._client = self._make_client()

    def start(self) -> None:
        """Begin to connect; never blocks and never fails: what happens arrives in the inbox."""
        self._connect()

    def stop(self, farewell: tuple[str, bytes] | None = None, wait_s: float = 2.0) -> None:
        """Say `farewell` (retained), disconnect and end the network thread."""
        with self._lock:
            if farewell is not None and self.connected:
                info = self._client.publish(*farewell, qos=1, retain=True)
                try:
                    info.wait_for_publish(timeout=wait_s)
                except (RuntimeError, ValueError) as fault:
                    log.debug("the farewell was not delivered: %s", fault)
            self._client.disconnect()
            self._end_loop()
            self.connected = False

    def publish(self, topic: str, payload: bytes, *, retain: bool) -> int | None:
        """Publish with QoS 1; the message number, or None where there is no connection now."""
        if not self.connected:
            return None
        info = self._client.publish(topic, payload, qos=1, retain=retain)
        return info.mid if info.rc == paho.MQTT_ERR_SUCCESS else None

    def acknowledge(self, arrival: Arrival) -> bool:
        """Acknowledge a message, if the connection on which it came still stands."""
        if arrival.message.qos == 0:
            return True
        with self._ack_lock:
            if arrival.generation != self.generation or not self.connected:
                return False
            return self._client.ack(arrival.mid, arrival.message.qos) == paho.MQTT_ERR_SUCCESS

    def taken(self, arrival: Arrival) -> None:
        """The worker took this message from the inbox."""
        with self._ack_lock:
            self.waiting_bytes -= len(arrival.message.payload)

    def ask_for(self, name: str) -> None:
        """Subscribe to one more filter, for as long as this line stands."""
        self._client.subscribe(name, 1)

    def leave(self, name: str) -> None:
        """Take a filter of `ask_for` back."""
        self._client.unsubscribe(name)

    def thread_alive(self) -> bool:
        """Whether paho's network thread lives: `is_connected()` would not tell."""
        name = f"paho-mqtt-client-{self.broker.client_id}"
        return any(thread.name == name for thread in threading.enumerate())

    def revive(self) -> None:
        """Begin anew after the network thread died, or with another protocol version."""
        with self._lock:
            self.connected = False
            try:
                self._client.disconnect()
                self._end_loop()
            except (ValueError, OSError, RuntimeError) as fault:
                log.debug("the old connection ended with: %s", fault)
            self._client = self._make_client()
            self._connect()

    def _end_loop(self) -> None:
        # A name server that does not answer holds the network thread for ten seconds: it is left behind then,
        # and ends by itself.
        ending = threading.Thread(target=self._client.loop_stop, name="mqtt-ending", daemon=True)
        ending.start()
        ending.join(ENDS_WITHIN_S)

    def consider_other_version(self) -> bool:
        """Where the broker has not yet let us in: try the other protocol version. True when it did so.

        A broker that knows no MQTT 5 says so, closes the line, or is simply silent. Called by the worker,
        since a client cannot be replaced inside its own callback.
        """
        if self.broker.version != "auto" or self.generation > 0:
            return False
        opened_s = self._opened_s
        silent = opened_s is not None and time.monotonic() - opened_s > ANSWER_S
        if not silent and not self._turned_away:
            return False
        self.version = "3.1.1" if self.version == "5" else "5"
        self.revive()
        return True

    def _connect(self) -> None:
        self._opened_s = None
        self._turned_away = False
        if self.version == "5":
            properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
            properties.SessionExpiryInterval = 0xFFFFFFFF if self.broker.keeps_session else 0
            properties.ReceiveMaximum = RECEIVE_MAXIMUM
            properties.MaximumPacketSize = LARGEST_PACKET
            self._client.connect_async(
                self.broker.host,
                self.broker.port,
                self.broker.keepalive_s,
                clean_start=not self.broker.keeps_session,
                properties=properties,
            )
        else:
            self._client.connect_async(self.broker.host, self.broker.port, self.broker.keepalive_s)
        self._client.loop_start()

    def _make_client(self) -> Client:
        will = Message(*self._will, qos=1, retain=True) if self._will is not None else None
        client = make_client(self.broker, self.version, will, QUEUED, manual_ack=True)
        client.on_socket_open = self._on_socket_open
        client.on_connect = self._on_connect
        client.on_connect_fail = self._on_connect_fail
        client.on_disconnect = self._on_disconnect
        client.on_message = self._on_message
        client.on_publish = self._on_publish
        client.on_subscribe = self._on_subscribe
        return client

    # The callbacks, in paho's thread: put and return.

    def _on_socket_open(self, _client: paho.Client, _data: Any, _socket: Any) -> None:
        self._opened_s = time.monotonic()

    def _on_connect(
        self, client: paho.Client, _data: Any, flags: Any, reason: ReasonCode, properties: Any
    ) -> None:
        if reason.is_failure:
            if reason.value == UNSUPPORTED_VERSION:
                self._turned_away = True
            self.inbox.put(LinkDown(self.generation, f"the broker refused: {reason}", "refused"))
            return
        self.generation += 1
        self.connected = True
        if self._filters:
            # Subscriptions are lost with the session, so always ask again; what is retained comes only where
            # the subscription is new, so that a short break of the line repeats no old state.
            if self.version == "5":
                client.subscribe(
                    [(name, SubscribeOptions(qos=qos, retainHandling=1)) for name, qos in self._filters]
                )
            else:
                client.subscribe(self._filters)
        lacks = _lacks(properties, self.broker.keeps_session)
        self.inbox.put(LinkUp(self.generation, bool(flags.session_present), self.version, lacks))

    def _on_connect_fail(self, client: paho.Client, _data: Any) -> None:
        fault = client.fault if isinstance(client, Client) else None
        where = f"{self.broker.host}:{self.broker.port}"
        if isinstance(fault, ssl.SSLError):
            self.inbox.put(LinkDown(self.generation, f"{where}: {fault}", "tls"))
        else:
            self.inbox.put(LinkDown(self.generation, f"no answer from {where} ({fault})", "unreachable"))

    def _on_disconnect(
        self, _client: paho.Client, _data: Any, _flags: Any, reason: ReasonCode, _properties: Any
    ) -> None:
        self._turned_away = self._turned_away or not self.connected
        self._opened_s = None
        with self._ack_lock:
            self.connected = False
        self.inbox.put(LinkDown(self.generation, str(reason), _KINDS.get(reason.value, "lost")))

    def _on_message(self, _client: paho.Client, _data: Any, message: paho.MQTTMessage) -> None:
        full = self.inbox.qsize() > INBOX_LIMIT or self.waiting_bytes > INBOX_BYTES
        if message.qos == 0 and full:
            self.shed += 1
            return
        try:
            topic = message.topic
        except UnicodeDecodeError:
            topic = "(topic is no UTF-8)"
        with self._ack_lock:
            self.waiting_bytes += len(message.payload)
        raw = RawMessage(topic, bytes(message.payload), self._clock.now_s(), message.qos, message.retain)
        self.inbox.put(Arrival(raw, self.generation, message.mid))

    def _on_publish(
        self, _client: paho.Client, _data: Any, mid: int, reason: ReasonCode, _properties: Any
    ) -> None:
        self.inbox.put(Published(self.generation, mid, reason.value))

    def _on_subscribe(
        self, _client: paho.Client, _data: Any, _mid: int, reasons: list[ReasonCode], _properties: Any
    ) -> None:
        if len(reasons) != len(self._filters):
            return
        answers = list(zip(self._filters, reasons, strict=True))
        refused = [name for (name, _), reason in answers if reason.value >= REFUSED]
        lowered = [name for (name, qos), reason in answers if reason.value < qos]
        self.inbox.put(Subscribed(self.generation, tuple(refused), tuple(lowered)))


def _lacks(properties: Properties | None, keeps_session: bool) -> tuple[str, ...]:
    """What a broker's answer to a CONNECT says it cannot do (MQTT 5, 3.2.2.3); left out means it can."""
    found = []
    if getattr(properties, "RetainAvailable", 1) == 0:
        found.append("retained messages: who comes later does not see the latest check, release and alarms")
    if getattr(properties, "MaximumQoS", 2) == 0:
        found.append("QoS 1: what is sent while the line is down is lost")
    if getattr(properties, "WildcardSubscriptionAvailable", 1) == 0:
        found.append("subscriptions with a wildcard: unknown scales and alarm commands are not heard")
    if keeps_session and getattr(properties, "SessionExpiryInterval", 1) == 0:
        found.append("kept sessions: events sent while the agent is away are lost")
    return tuple(found)
