"""A name server that does not answer must not keep the agent from ending when it is told to."""

from __future__ import annotations

import threading
import time
from typing import Any

import pytest

from agent.broker.client import Address
from agent.runtime.clock import SystemClock
from agent.runtime.mqtt_link import ENDS_WITHIN_S, MqttLink


def test_the_link_ends_while_the_name_server_hangs(monkeypatch: pytest.MonkeyPatch) -> None:
    answers, asked = threading.Event(), threading.Event()

    def resolve(*_words: Any, **_more: Any) -> Any:
        asked.set()
        answers.wait(30.0)
        raise OSError("no answer")

    # What glibc does for ten seconds where no server answers (resolv.conf(5): timeout 5 s, 2 attempts).
    monkeypatch.setattr("socket.getaddrinfo", resolve)
    link = MqttLink(Address("broker.yard.example", 1883, "edge-7"), [], ("yard/state", b""), SystemClock())
    link.start()
    assert asked.wait(10.0)
    began = time.monotonic()
    link.stop(("yard/state", b"offline"))
    took_s = time.monotonic() - began
    answers.set()
    assert ENDS_WITHIN_S / 2 < took_s < ENDS_WITHIN_S + 2.0
