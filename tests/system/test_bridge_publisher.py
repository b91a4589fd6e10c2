"""What the bridge does with brokers that are old, away, or of another mind."""

import json
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from agent.bridge import publisher as publishing
from agent.bridge.publisher import Publisher
from agent.broker.client import Address, Message
from simulators.broker import EmbeddedBroker

WILL = Message("plant/agent/a/bridge", b'{"state":"offline"}', 1, retain=True)


@contextmanager
def hearing(port: int) -> Iterator[list[tuple[str, bytes]]]:
    heard: list[tuple[str, bytes]] = []
    ready = threading.Event()
    client = paho.Client(CallbackAPIVersion.VERSION2)
    client.on_connect = lambda client, *_: client.subscribe("plant/#", qos=1)
    client.on_subscribe = lambda *_: ready.set()
    client.on_message = lambda _c, _d, message: heard.append((message.topic, bytes(message.payload)))
    client.reconnect_delay_set(1, 1)
    client.connect("127.0.0.1", port)
    client.loop_start()
    assert ready.wait(10)
    try:
        yield heard
    finally:
        client.disconnect()
        client.loop_stop()


@contextmanager
def publishing_to(port: int, **how: Any) -> Iterator[Publisher]:
    publisher = Publisher(Address("127.0.0.1", port, "a-bridge", **{"reconnect_max_s": 1, **how}), WILL)
    publisher.start()
    try:
        yield publisher
    finally:
        publisher.stop()


def wait(enough: Callable[[], Any], within_s: float = 20.0) -> None:
    end = time.monotonic() + within_s
    while not enough():
        assert time.monotonic() < end
        time.sleep(0.02)


def reading(number: int, qos: int = 1) -> Message:
    return Message("plant/north/scale/floor/reading", json.dumps({"value": number}).encode(), qos)


def numbers(heard: list[tuple[str, bytes]]) -> list[int]:
    return [json.loads(payload)["value"] for topic, payload in heard if topic.endswith("reading")]


def test_falls_back_to_the_older_protocol() -> None:
    """The embedded broker speaks MQTT 3.1.1 and no more."""
    with EmbeddedBroker() as broker, hearing(broker.port) as heard, publishing_to(broker.port) as publisher:
        publisher.send(reading(1))
        wait(lambda: numbers(heard) == [1])
        assert publisher.version == "3.1.1"


@pytest.mark.real_part("mosquitto")
@pytest.mark.parametrize("qos", [0, 1])
def test_speaks_the_newer_protocol_where_it_can(mosquitto: Any, qos: int) -> None:
    with hearing(mosquitto.port) as heard, publishing_to(mosquitto.port) as publisher:
        for number in range(500):
            publisher.send(reading(number, qos))
        wait(lambda: len(numbers(heard)) == 500)
        assert numbers(heard) == list(range(500))
        assert publisher.version == "5"


@pytest.mark.real_part("mosquitto")
def test_the_newest_readings_outlast_a_long_absence(
    mosquitto: Any, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(publishing, "BACKLOG", 50)
    with publishing_to(mosquitto.port) as publisher:
        wait(lambda: publisher.connected)
        mosquitto.stop()
        wait(lambda: not publisher.connected)
        for number in range(1000):
            publisher.send(reading(number))
        wait(lambda: publisher.dropped == 950)
        mosquitto.start()
        with hearing(mosquitto.port) as heard:
            wait(lambda: numbers(heard)[-1:] == [999] or publisher.taken >= 50)
        assert len(publisher._backlog) == 0
    assert "readings dropped" in caplog.text


@pytest.mark.real_part("mosquitto")
def test_a_refused_topic_is_told(
    mosquitto_factory: Any, tmp_path: Any, caplog: pytest.LogCaptureFixture
) -> None:
    rights = tmp_path / "acl"
    rights.write_text("topic write plant/agent/#\n")
    rights.chmod(0o600)
    broker = mosquitto_factory(listeners={"plain": f"allow_anonymous true\nacl_file {rights}"})
    with publishing_to(broker.port) as publisher:
        publisher.send(reading(1))
        wait(lambda: "refuses what is published on plant/north/scale/floor/reading" in caplog.text)


@pytest.mark.real_part("mosquitto")
def test_a_broker_that_hangs_is_left_and_found_again(mosquitto: Any) -> None:
    with hearing(mosquitto.port) as heard, publishing_to(mosquitto.port, keepalive_s=2) as publisher:
        publisher.send(reading(1))
        wait(lambda: numbers(heard) == [1])
        mosquitto.pause()
        wait(lambda: not publisher.connected)
        publisher.send(reading(2))
        mosquitto.resume()
        wait(lambda: 2 in numbers(heard))


def test_a_host_that_is_none_leaves_the_bridge_alive(
    caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A label of more than 63 characters raises inside the client's own thread."""
    monkeypatch.setattr(threading, "excepthook", lambda _args: None)
    publisher = Publisher(Address("x" * 70 + ".invalid", 1883, "a-bridge"), WILL)
    publisher.start()
    try:
        wait(lambda: "broke inside" in caplog.text or "no connection" in caplog.text)
        publisher.send(reading(1))
        time.sleep(1)
        assert publisher.alive(2.0)
    finally:
        publisher.stop()


def test_no_password_in_words() -> None:
    assert "hush" not in repr(Address("127.0.0.1", 1883, "a", username="u", password="hush"))
