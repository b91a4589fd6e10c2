"""What paho's network thread tells the publisher: it puts an event on a queue and returns.

Each event knows the generation of the client it comes from: what an old client still says is let go.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, TypeAlias

import paho.mqtt.client as paho
from paho.mqtt.reasoncodes import ReasonCode

UNSUPPORTED_VERSION = 0x84


@dataclass(frozen=True, slots=True)
class Up:
    """The broker let us in."""

    generation: int


@dataclass(frozen=True, slots=True)
class Down:
    """There is no connection, or none any more."""

    generation: int
    why: str
    answered: bool
    """Whether the broker had answered at all."""
    unsupported: bool = False
    """It does not speak this version of MQTT."""


@dataclass(frozen=True, slots=True)
class Taken:
    """The broker answered for a message."""

    generation: int
    mid: int
    reason: int


LineEvent: TypeAlias = Up | Down | Taken


def report_events(client: paho.Client, generation: int, put: Callable[[LineEvent], None]) -> None:
    """Hang callbacks on a client that put what happens and return."""
    answered = threading.Event()

    def on_connect(_c: paho.Client, _d: Any, _f: Any, reason: ReasonCode, _p: Any) -> None:
        answered.set()
        if reason.is_failure:
            unsupported = reason.value == UNSUPPORTED_VERSION
            put(Down(generation, f"the broker refused: {reason}", answered=True, unsupported=unsupported))
        else:
            put(Up(generation))

    def on_connect_fail(_c: paho.Client, _d: Any) -> None:
        put(Down(generation, "it does not answer", answered=True))

    def on_disconnect(_c: paho.Client, _d: Any, _f: Any, reason: ReasonCode, _p: Any) -> None:
        put(Down(generation, str(reason), answered=answered.is_set()))
        answered.clear()

    def on_publish(_c: paho.Client, _d: Any, mid: int, reason: ReasonCode, _p: Any) -> None:
        put(Taken(generation, mid, reason.value))

    client.on_connect = on_connect
    client.on_connect_fail = on_connect_fail
    client.on_disconnect = on_disconnect
    client.on_publish = on_publish
