"""The simulated cell over real MQTT: the embedded broker, Mosquitto, mosquitto_sub's own captures."""

from __future__ import annotations

import json
import socket
import subprocess
import threading
import time
from argparse import ArgumentParser
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from simulators.broker import EmbeddedBroker
from simulators.capture import capture_line, record
from simulators.commands import configure, run
from simulators.link import SimulatedCell
from simulators.messages import Message
from simulators.site import SiteError, bench_text


class Listener:
    """A client that keeps what it hears."""

    def __init__(self, port: int, topic: str = "plant/#") -> None:
        self.heard: list[mqtt.MQTTMessage] = []
        self._subscribed = threading.Event()
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2)
        self.client.on_message = lambda _client, _data, message: self.heard.append(message)
        self.client.on_connect = lambda client, *_: client.subscribe(topic, 1)
        self.client.on_subscribe = lambda *_: self._subscribed.set()
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()
        assert self._subscribed.wait(5.0)

    def bodies(self, end: str) -> list[Any]:
        return [json.loads(m.payload) for m in list(self.heard) if m.topic.endswith(end)]

    def wait_for(self, end: str, count: int, within_s: float = 15.0) -> list[Any]:
        ends = time.monotonic() + within_s
        while len(found := self.bodies(end)) < count:
            assert time.monotonic() < ends, f"{len(found)} of {count} messages on {end}"
            time.sleep(0.02)
        return found

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


@pytest.fixture
def listener(broker: EmbeddedBroker) -> Iterator[Listener]:
    listening = Listener(broker.port)
    yield listening
    listening.close()


@pytest.fixture
def broker() -> Iterator[EmbeddedBroker]:
    with EmbeddedBroker() as running:
        yield running


def test_the_embedded_broker_starts_stops_and_says_what_is_in_its_way() -> None:
    before = threading.active_count()
    with EmbeddedBroker() as one, EmbeddedBroker() as other:
        assert 0 < one.port != other.port > 0
        with socket.create_server(("127.0.0.1", 0)) as taken, pytest.raises(OSError, match="cannot listen"):
            EmbeddedBroker(taken.getsockname()[1]).start()
        client = mqtt.Client(CallbackAPIVersion.VERSION2)
        client.connect("127.0.0.1", one.port)
        client.loop_start()
    # Stopped with a client still connected.
    assert one.port == 0
    client.disconnect()
    client.loop_stop()
    assert threading.active_count() == before


def test_a_request_over_the_embedded_broker(broker: EmbeddedBroker, listener: Listener) -> None:
    asked = {
        "id": "r-1", "request": "flow_check", "gun": "lower", "setup": "impeller-barrier", "shots": 1,
        "shot_s": 5.0, "bleed_s": 2.0, "at": "2020-01-01T00:00:00Z", "expires": "2020-01-01T00:05:00Z",
    }  # fmt: skip
    with SimulatedCell("127.0.0.1", broker.port, speed=30.0, runs_checks=False) as simulated:
        listener.wait_for("reading", 50)
        listener.client.publish("plant/north/request", json.dumps(asked), 1)
        assert listener.wait_for("reply", 1) == [{"id": "r-1", "accepted": True, "reason": None}]
        events = listener.wait_for("event", 7)
        assert [e["event"] for e in events][-6:] == [
            "check_started", "gun_opened", "gun_closed", "gun_opened", "gun_closed", "check_ended",
        ]  # fmt: skip
        simulated.ask(lambda cell: cell.unplug("floor"))
        seen = len(listener.bodies("reading"))
        listener.wait_for("pressure", len(listener.bodies("pressure")) + 30)
        assert len(listener.bodies("reading")) - seen < 60
        assert [t.purpose for t in simulated.truth()] == ["bleed", "shot"]
        assert simulated.now_s() > simulated.cell.start_s
        assert simulated.fault is None
    readings = listener.bodies("reading")
    times = [reading["t"] for reading in readings]
    assert times == sorted(times)
    assert [reading["seq"] for reading in readings] == list(range(len(readings)))


def test_a_broker_that_is_not_there_is_named() -> None:
    with socket.create_server(("127.0.0.1", 0)) as gone:
        port = gone.getsockname()[1]
    with pytest.raises(SiteError, match=f"no broker at 127.0.0.1:{port}"):
        SimulatedCell("127.0.0.1", port).start()
    with pytest.raises(SiteError, match="no broker"):
        next(iter(record("127.0.0.1", port, ["#"], seconds=1.0)))
    with pytest.raises(ValueError, match="speed is 0"):
        SimulatedCell("127.0.0.1", port, speed=0)


def command(*words: str) -> int:
    parser = ArgumentParser()
    configure(parser)
    return run(parser.parse_args(words))


@pytest.mark.real_part("mosquitto")
def test_the_command_plays_a_scenario_against_mosquitto_and_it_is_recorded(
    mosquitto: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    config = tmp_path / "site.toml"
    config.write_text(bench_text().replace("port = 1883", f"port = {mosquitto.port}"))
    story = tmp_path / "short.toml"
    story.write_text(
        'title = "one shot"\nsays = "one shot"\n'
        '[[steps]]\ndo = "check"\ngun = "upper"\nshots = 1\nshot_s = 5.0\nbleed_s = 0.0\n'
    )
    recording = tmp_path / "recording.jsonl"
    recorder = threading.Thread(
        target=command, args=("--config", str(config), "--record", str(recording), "--seconds", "4")
    )
    recorder.start()
    time.sleep(0.3)
    truth = tmp_path / "truth.jsonl"
    words = ["--config", str(config), "--scenario", str(story), "--speed", "40", "--truth", str(truth)]
    assert command(*words) == 0
    recorder.join()
    assert "1 dispenses" in capsys.readouterr().out
    assert json.loads(truth.read_text())["purpose"] == "shot"
    lines = recording.read_text().splitlines()
    events = [json.loads(line)["payload"]["event"] for line in lines if "controller/event" in line]
    assert events == ["setup_loaded", "check_started", "gun_opened", "gun_closed", "check_ended"]


def test_the_commands_other_words(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert command("--list") == 0
    assert "worn-nozzle\n    The first gun's nozzle" in capsys.readouterr().out
    capture = tmp_path / "c.jsonl"
    assert command("--scenario", "good-day", "--capture", str(capture)) == 0
    assert len(capture.read_text().splitlines()) > 3000
    assert len((tmp_path / "c.truth.jsonl").read_text().splitlines()) == 8
    assert command("--scenario", "nothing") == 2
    assert command("--config", str(tmp_path / "none.toml")) == 2
    assert command("--speed", "0") == 2
    assert command("--capture", str(tmp_path / "no" / "folder.jsonl")) == 1
    with socket.create_server(("127.0.0.1", 0)) as gone:
        port = gone.getsockname()[1]
    config = tmp_path / "site.toml"
    config.write_text(bench_text().replace("port = 1883", f"port = {port}"))
    assert command("--config", str(config)) == 1
    assert "no broker at" in capsys.readouterr().err


@pytest.mark.real_part("mosquitto", "mosquitto-clients")
def test_the_form_is_mosquitto_subs_own(mosquitto: Any) -> None:
    port = str(mosquitto.port)
    body = b'{"value":12.5,"unit":"g","t":"2026-03-02T05:30:00.000Z","stable":true,"seq":3}'
    listener = subprocess.Popen(
        ["mosquitto_sub", "-h", "127.0.0.1", "-p", port, "-t", "a/#", "-F", "%J", "-C", "1", "-W", "10"],
        stdout=subprocess.PIPE,
    )
    try:
        for _ in range(50):
            subprocess.run(
                ["mosquitto_pub", "-h", "127.0.0.1", "-p", port, "-t", "a/b", "-s"], input=body, check=True
            )
            try:
                listener.wait(0.2)
                break
            except subprocess.TimeoutExpired:
                continue
        out, _ = listener.communicate(timeout=10)
    finally:
        listener.kill()
    theirs = json.loads(out)
    ours = json.loads(capture_line(Message(0.0, "a/b", body)))
    assert list(theirs) == list(ours)
    assert {**theirs, "tst": ""} == {**ours, "tst": ""}
    form = "9999-99-99T99:99:99.999999Z+9999"
    for stamp in (theirs["tst"], ours["tst"]):
        assert "".join("9" if c.isdigit() else c for c in stamp) == form
