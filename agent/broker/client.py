"""A client of the broker, made from an address: TLS with checked names, MQTT 5 or 3.1.1, a will."""

from __future__ import annotations

import ssl
from dataclasses import dataclass
from pathlib import Path

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion


@dataclass(frozen=True, slots=True)
class Address:
    """Where the broker is and how to be let in."""

    host: str
    port: int
    client_id: str
    version: str = "auto"
    """`auto`, `5` or `3.1.1`."""
    username: str | None = None
    password: str | None = None
    tls: bool = False
    ca_file: Path | None = None
    cert_file: Path | None = None
    key_file: Path | None = None
    keepalive_s: int = 10
    connect_timeout_s: float = 5.0
    reconnect_max_s: int = 5
    keeps_session: bool = False
    """Whether the broker keeps our subscriptions and what we missed; a mere visitor leaves nothing behind."""
    reconnects: bool = True
    """Whether a connection that ended is made again by itself."""

    def __repr__(self) -> str:
        """Without the password: this may end in a log."""
        return f"{self.host}:{self.port} as {self.client_id!r}"


@dataclass(frozen=True, slots=True)
class Message:
    """One message to be published."""

    topic: str
    payload: bytes
    qos: int
    retain: bool = False


CHUNK = 65536
"""Read from the line at once, at most, bytes."""


class Client(paho.Client):
    """Remembers why a connection could not be made: paho tells nobody. And reads the line in chunks.

    paho asks the system for every packet three times, after a wait for the line. Here one read brings what
    there is, and the packets in it are handled before the next wait.
    """

    fault: OSError | None = None
    _chunk = b""
    _at = 0

    def reconnect(self) -> MQTTErrorCode:
        """As paho's own; a host name that cannot be encoded is an OSError like any other bad name."""
        self._chunk, self._at = b"", 0
        try:
            return super().reconnect()
        except UnicodeError as fault:
            self.fault = OSError(f"this is no host name: {fault}")
            raise self.fault from fault
        except OSError as fault:
            self.fault = fault
            raise

    def loop_read(self, max_packets: int = 1) -> MQTTErrorCode:
        """As paho's own, until what was read of the line is used up: the next wait would not see it."""
        code = super().loop_read(max_packets)
        while code == MQTTErrorCode.MQTT_ERR_SUCCESS and self._at < len(self._chunk):
            code = super().loop_read(max_packets)
        return code

    def _sock_recv(self, bufsize: int) -> bytes:
        at = self._at
        if at >= len(self._chunk):
            self._chunk, self._at, at = super()._sock_recv(max(CHUNK, bufsize)), 0, 0
        end = at + bufsize
        self._at = end
        return self._chunk[at:end]


def make_client(
    address: Address, version: str, will: Message | None, queued: int, *, manual_ack: bool = False
) -> Client:
    """A paho client that has not connected yet; `queued` messages of QoS 1 may wait in it at most.

    With `manual_ack` what it hears is acknowledged by whoever took it, and not by paho.
    """
    older = version == "3.1.1"
    client = Client(
        CallbackAPIVersion.VERSION2,
        client_id=address.client_id,
        protocol=MQTTProtocolVersion.MQTTv311 if older else MQTTProtocolVersion.MQTTv5,
        clean_session=not address.keeps_session if older else None,
        manual_ack=manual_ack,
        reconnect_on_failure=address.reconnects,
    )
    client.reconnect_delay_set(1, address.reconnect_max_s)
    client.connect_timeout = address.connect_timeout_s
    client.max_queued_messages_set(queued)
    if address.username is not None:
        client.username_pw_set(address.username, address.password)
    if address.tls:
        client.tls_set(
            ca_certs=str(address.ca_file) if address.ca_file else None,
            certfile=str(address.cert_file) if address.cert_file else None,
            keyfile=str(address.key_file) if address.key_file else None,
            tls_version=ssl.PROTOCOL_TLS_CLIENT,
        )
    if will is not None:
        client.will_set(will.topic, will.payload, qos=1, retain=True)
    return client
