"""One MQTT connection of an edge node: made, listened to, and left as Sparkplug asks.

paho's loop is turned by whoever owns the line, in one thread, and its callbacks only note what came. Every
CONNECT is a client of its own, because the will carries the number of its connection (bdSeq).
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from agent.broker.client import Address, Message, make_client
from agent.outlets.sparkplug.node import EdgeNode
from agent.outlets.sparkplug.payloads import asks_for_rebirth

log = logging.getLogger(__name__)

TURN_S = 0.2
"""How long one turn of the network loop waits."""
QUEUED = 100
ANSWER_S = 10.0
"""A broker that has not let us in and taken our subscription for so long is tried anew."""
LEAVE_S = 2.0
REFUSED = 0x80


class Unreachable(Exception):  # noqa: N818 - it reads as what it is
    """The broker cannot be reached, or it does not let us in."""


class Line:
    """A connection, as its callbacks saw it. Raises Unreachable where it cannot be made, or ends."""

    def __init__(self, broker: Address, node: EdgeNode, now_ms: int) -> None:
        """Send the CONNECT, with the node's death certificate as its will."""
        self.node = node
        self.let_in = False
        """The broker took our CONNECT and our subscription."""
        self.born = False
        self.rebirth = False
        """Somebody asked for a rebirth."""
        self._fault = ""
        self._farewell: int | None = None
        """Message number of the farewell; None once the broker has it."""
        self._opened_s = time.monotonic()
        # What Sparkplug asks of a session is what MQTT 3.1.1 gives too, and every host speaks that.
        self.mqtt = "5" if broker.version == "5" else "3.1.1"
        will = node.death(now_ms)
        try:
            self._client = make_client(broker, self.mqtt, will, QUEUED)
        except (OSError, ValueError) as fault:
            raise Unreachable(f"a certificate or key cannot be used: {fault}") from fault
        self._client.will_set(will.topic, will.payload, qos=will.qos, retain=will.retain)
        self._client.on_connect = self._on_connect
        self._client.on_subscribe = self._on_subscribe
        self._client.on_message = self._on_message
        self._client.on_publish = self._on_publish
        self._client.on_disconnect = self._on_disconnect
        self._connect(broker)

    def turn(self) -> None:
        """One turn of the network loop."""
        code = self._client.loop(TURN_S)
        if self._fault or code != paho.MQTT_ERR_SUCCESS:
            raise Unreachable(self._fault or paho.error_string(code))
        if not self.let_in and time.monotonic() - self._opened_s > ANSWER_S:
            raise Unreachable("the broker does not answer")

    def publish(self, message: Message) -> int:
        """Publish, and the message's number."""
        info = self._client.publish(message.topic, message.payload, qos=message.qos, retain=message.retain)
        if info.rc != paho.MQTT_ERR_SUCCESS:
            raise Unreachable(self._fault or paho.error_string(info.rc))
        return info.mid

    def leave(self, now_ms: int) -> None:
        """Say farewell where the node was born, and disconnect."""
        if self.born:
            *deaths, own = self.node.farewell(now_ms)
            for message in deaths:
                self.publish(message)
            if self.mqtt == "3.1.1":
                self._farewell = self.publish(own)
                self._loop_until(lambda: self._farewell is None)
        if self.mqtt == "5":
            # The broker itself publishes the death certificate, and only then is the connection over.
            with_will = ReasonCode(PacketTypes.DISCONNECT, "Disconnect with will message")
            self._client.disconnect(reasoncode=with_will)
        else:
            self._client.disconnect()
        self._loop_until(lambda: not self._client.is_connected())

    def _connect(self, broker: Address) -> None:
        try:
            if self.mqtt == "5":
                properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
                properties.SessionExpiryInterval = 0
                self._client.connect(
                    broker.host, broker.port, broker.keepalive_s, clean_start=True, properties=properties
                )
            else:
                self._client.connect(broker.host, broker.port, broker.keepalive_s)
        except (OSError, UnicodeError) as fault:
            raise Unreachable(f"no answer from {broker.host}:{broker.port} ({fault})") from fault

    def _loop_until(self, done: Callable[[], bool]) -> None:
        until_s = time.monotonic() + LEAVE_S
        while not done() and not self._fault and time.monotonic() < until_s:
            self._client.loop(TURN_S)

    # The callbacks, within the loop: note and return.

    def _on_connect(
        self, client: paho.Client, _data: Any, _flags: Any, reason: ReasonCode, _properties: Any
    ) -> None:
        if reason.is_failure:
            self._fault = f"the broker refused: {reason}"
        else:
            client.subscribe(self.node.commands, 1)

    def _on_subscribe(
        self, _client: paho.Client, _data: Any, _mid: int, reasons: list[ReasonCode], _properties: Any
    ) -> None:
        if any(reason.value >= REFUSED for reason in reasons):
            self._fault = f"the broker refuses the subscription to {self.node.commands}"
        else:
            self.let_in = True

    def _on_message(self, _client: paho.Client, _data: Any, message: paho.MQTTMessage) -> None:
        try:
            self.rebirth = asks_for_rebirth(bytes(message.payload)) or self.rebirth
        except ValueError as fault:
            log.warning("sparkplug: %s: %s", self.node.commands, fault)

    def _on_publish(
        self, _client: paho.Client, _data: Any, mid: int, _reason: ReasonCode, _properties: Any
    ) -> None:
        if mid == self._farewell:
            self._farewell = None

    def _on_disconnect(
        self, _client: paho.Client, _data: Any, _flags: Any, reason: ReasonCode, _properties: Any
    ) -> None:
        self._fault = self._fault or f"the connection ended: {reason}"
