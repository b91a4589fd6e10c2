"""The bridge on real terminals and real device servers, with a real broker behind it."""

import fcntl
import json
import os
import queue
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from agent.bridge.bridge import Bridge
from agent.settings.load import load
from simulators.serial_ends import PtyEnd, ServerEnd
from simulators.serial_scale import SerialScale

pytestmark = [
    pytest.mark.real_part("mosquitto"),
    # pyserial 3.5 starts its RFC 2217 reader with setDaemon, which Python 3.10 deprecated.
    pytest.mark.filterwarnings("ignore:setDaemon:DeprecationWarning"),
    pytest.mark.filterwarnings("ignore:setName:DeprecationWarning"),
]

READING = "plant/north/scale/floor/reading"
STATE = "plant/agent/edge-1/bridge"
SITE = """
[agent]
id = "edge-1"
[mqtt]
port = {broker}
root = "plant"
[[cells]]
id = "north"
  [[cells.scales]]
  id = "floor"
  resolution_g = 0.01
  capacity_g = 6100.0
  silent_s = 2.0
    [cells.scales.serial]
    port = "{port}"
    {serial}
  [[cells.guns]]
  id = "upper"
  scale = "floor"
"""


class Ear:
    """Hears what is published, with the time at which it came."""

    def __init__(self, port: int) -> None:
        self.messages: queue.SimpleQueue[tuple[str, dict[str, Any], float]] = queue.SimpleQueue()
        self.readings: list[dict[str, Any]] = []
        self.states: list[dict[str, Any]] = []
        self._client = paho.Client(
            CallbackAPIVersion.VERSION2,
            client_id="ear",
            protocol=MQTTProtocolVersion.MQTTv311,
            clean_session=False,
        )
        ready = threading.Event()
        self._client.on_connect = lambda client, *_: client.subscribe("plant/#", qos=1)
        self._client.on_subscribe = lambda *_: ready.set()
        self._client.on_message = lambda _c, _d, message: self.messages.put(
            (message.topic, json.loads(message.payload), time.time())
        )
        self._client.reconnect_delay_set(1, 1)
        self._client.connect("127.0.0.1", port, keepalive=5)
        self._client.loop_start()
        assert ready.wait(10)

    def until(self, enough: Callable[[], Any], within_s: float = 20.0) -> None:
        end = time.monotonic() + within_s
        while not enough():
            left = end - time.monotonic()
            assert left > 0, (self.readings[-3:], self.states[-3:])
            try:
                topic, body, at = self.messages.get(timeout=min(left, 0.2))
            except queue.Empty:
                continue
            if topic == READING:
                self.readings.append({**body, "at": at})
            elif topic == STATE:
                self.states.append(body)

    def more(self, count: int, within_s: float = 20.0) -> list[dict[str, Any]]:
        """The next `count` readings."""
        before = len(self.readings)
        self.until(lambda: len(self.readings) >= before + count, within_s)
        return self.readings[before:]

    def until_state(self, state: str, text: str = "", within_s: float = 20.0) -> None:
        def said() -> bool:
            scale = self.states[-1].get("scales", [{}])[0] if self.states else {}
            return scale.get("state") == state and text in scale.get("text", "")

        self.until(said, within_s)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@pytest.fixture
def ear(mosquitto: Any) -> Iterator[Ear]:
    ear = Ear(mosquitto.port)
    yield ear
    ear.close()


def site_file(folder: Path, broker: int, port: str, serial: str) -> Path:
    file = folder / "site.toml"
    file.write_text(SITE.format(broker=broker, port=port, serial=serial))
    return file


@pytest.fixture
def bridging(tmp_path: Path, mosquitto: Any) -> Callable[..., Any]:
    @contextmanager
    def run(port: str, serial: str = 'profile = "status-first"') -> Iterator[Bridge]:
        bridge = Bridge(load(site_file(tmp_path, mosquitto.port, port, serial)))
        stop = threading.Event()
        thread = threading.Thread(target=bridge.run, args=(stop,))
        thread.start()
        try:
            yield bridge
        finally:
            stop.set()
            thread.join(timeout=20)
            assert not thread.is_alive()

    return run


def ramp(t: float) -> float:
    """12 g a second after a second of rest."""
    return 100.0 + 12.0 * max(0.0, t - 1.0)


@pytest.mark.parametrize("shape", ["status-first", "unit-when-stable", "number-only"])
def test_what_the_scale_shows_arrives_with_its_time(
    ear: Ear, bridging: Any, tmp_path: Path, shape: Any
) -> None:
    with (
        SerialScale(PtyEnd(tmp_path / "scale"), ramp, shape=shape, period_s=0.05) as scale,
        bridging(scale.end.address, f'profile = "{shape}"'),
    ):
        heard = ear.more(40)
        truths = {round(item.mass_g, 2): item for item in list(scale.written)}
    moving = [reading for reading in heard if reading["value"] > 101]
    assert len(moving) > 10
    assert [reading["seq"] for reading in heard] == list(range(40))
    ahead_s = time.time() - time.monotonic()
    for reading in moving:
        assert reading["unit"] == "g"
        assert reading["t"] == pytest.approx(truths[reading["value"]].t_s + ahead_s, abs=0.5)
    # The slope of the ramp, on the readings' own time stamps: what a flow is made of.
    rise = moving[-1]["value"] - moving[0]["value"]
    assert rise / (moving[-1]["t"] - moving[0]["t"]) == pytest.approx(12.0, rel=0.1)
    assert ("stable" in heard[0]) == (shape != "number-only")


def test_half_lines_lost_bytes_and_noise_give_no_wrong_number(
    ear: Ear, bridging: Any, tmp_path: Path
) -> None:
    with (
        SerialScale(PtyEnd(tmp_path / "scale"), ramp, period_s=0.02, bytes_at_once=3) as scale,
        bridging(scale.end.address) as bridge,
    ):
        ear.more(10)
        for position in range(20):
            scale.lose(position)
            scale.half_line(position)
            scale.noise(position)
            ear.more(4)
        heard = ear.readings
        shown = {round(item.mass_g, 2) for item in list(scale.written)}
        faults = bridge.lines[0].readings.faults
    assert {reading["value"] for reading in heard} <= shown
    # Twenty of each were made; some fall into the same line, and a busy machine reads fewer lines.
    assert faults.total() >= 10
    gaps = sum(b["seq"] - a["seq"] - 1 for a, b in pairwise(heard))
    assert gaps > 0, "lines that were not read must show as gaps"


def test_unplugged_and_replugged_under_another_name(ear: Ear, bridging: Any, tmp_path: Path) -> None:
    end = PtyEnd(tmp_path / "scale")
    with SerialScale(end, ramp, period_s=0.05) as scale, bridging(end.address):
        before = ear.more(5)[-1]
        first = end.device
        assert first is not None
        held = os.open(first, os.O_RDWR | os.O_NOCTTY)  # the number is not free until this is closed
        scale.unplug()
        ear.until_state("no_port", "scale is not there")
        scale.replug()
        assert end.device != first
        after = ear.more(5)[-1]
        ear.until_state("reading")
        os.close(held)
    assert after["seq"] > before["seq"]
    assert after["t"] > before["t"]


def test_follows_the_link_to_another_device(ear: Ear, bridging: Any, tmp_path: Path) -> None:
    """The old device stays open and silent: only the link says that the adapter is elsewhere."""
    end = PtyEnd(tmp_path / "scale")
    with SerialScale(end, ramp, period_s=0.05), bridging(end.address):
        ear.more(5)
        second = PtyEnd(tmp_path / "other")
        with SerialScale(second, lambda _t: 7.0, period_s=0.05):
            (tmp_path / "next").symlink_to(str(second.device))
            (tmp_path / "next").rename(tmp_path / "scale")
            ear.until(lambda: ear.readings[-1]["value"] == 7.0)


def test_a_port_in_use_is_told_and_taken_when_it_is_free(ear: Ear, bridging: Any, tmp_path: Path) -> None:
    end = PtyEnd(tmp_path / "scale")
    with SerialScale(end, ramp, period_s=0.05):
        holder = os.open(end.address, os.O_RDWR | os.O_NOCTTY)
        fcntl.flock(holder, fcntl.LOCK_EX)
        with bridging(end.address):
            ear.until_state("no_port", "in use by another program")
            os.close(holder)
            ear.more(3)
            with pytest.raises(BlockingIOError):
                fcntl.flock(os.open(end.address, os.O_RDWR | os.O_NOCTTY), fcntl.LOCK_EX | fcntl.LOCK_NB)


def test_a_scale_that_only_answers_is_asked(ear: Ear, bridging: Any, tmp_path: Path) -> None:
    with (
        SerialScale(PtyEnd(tmp_path / "scale"), ramp, poll=b"W\r\n") as scale,
        bridging(scale.end.address, 'profile = "status-first"\npoll = "W\\r\\n"\npoll_period_s = 0.1'),
    ):
        heard = ear.more(20)
        scale.silent = True
        ear.until_state("silent", "answers")
        scale.silent = False
        ear.more(2)
        ear.until_state("reading")
    assert heard[-1]["t"] - heard[0]["t"] == pytest.approx(1.9, abs=0.4)


@pytest.mark.parametrize("rfc2217", [False, True])
def test_a_device_server_that_goes_and_comes(ear: Ear, bridging: Any, rfc2217: bool) -> None:
    end = ServerEnd(rfc2217=rfc2217, baud=19200)
    end.plug()
    end.unplug()
    framing = 'profile = "status-first"\nbaud = 19200\nbytesize = 7\nparity = "even"\nstopbits = 2'
    with SerialScale(end, ramp, period_s=0.05) as scale, bridging(end.address, framing):
        ear.more(10)
        if rfc2217:
            line = end.line
            assert (line.baudrate, line.bytesize, line.parity, line.stopbits) == (19200, 7, "E", 2)
        scale.unplug()
        ear.until_state("no_port", "device server")
        scale.replug()
        ear.more(5)
        scale.silent = True
        ear.until_state("silent")
        scale.silent = False
        ear.more(5)


def test_a_wrong_baud_rate_is_told(ear: Ear, bridging: Any) -> None:
    end = ServerEnd(rfc2217=True, baud=4800)
    with SerialScale(end, ramp, period_s=0.05), bridging(end.address, 'profile = "status-first"'):
        ear.until_state("unreadable")
        assert not ear.readings


def test_a_wrong_terminator_is_told(ear: Ear, bridging: Any, tmp_path: Path) -> None:
    with (
        SerialScale(PtyEnd(tmp_path / "scale"), ramp, terminator=b"\r", period_s=0.05) as scale,
        bridging(scale.end.address),
    ):
        ear.until_state("unreadable", "terminator")


def test_a_broker_that_restarts_costs_no_reading(
    mosquitto_factory: Any, bridging: Any, tmp_path: Path, mosquitto: Any
) -> None:
    """With QoS 1, a broker that keeps its sessions, and a listener that comes back."""
    del mosquitto
    broker = mosquitto_factory(persistent=True)
    ear = Ear(broker.port)
    file = site_file(tmp_path, broker.port, str(tmp_path / "scale"), 'profile = "status-first"')
    bridge = Bridge(load(file))
    stop = threading.Event()
    thread = threading.Thread(target=bridge.run, args=(stop,))
    try:
        with SerialScale(PtyEnd(tmp_path / "scale"), ramp, period_s=0.05):
            thread.start()
            ear.more(10)
            broker.stop()
            time.sleep(2)
            broker.start()
            ear.more(60)
            stop.set()
            thread.join(timeout=20)
    finally:
        stop.set()
        ear.close()
    numbers = {reading["seq"] for reading in ear.readings}
    assert numbers == set(range(max(numbers) + 1))
    assert bridge.publisher.dropped == 0


@pytest.mark.parametrize(("which", "status"), [(signal.SIGTERM, 0), (signal.SIGINT, 130)])
def test_as_a_process(ear: Ear, tmp_path: Path, mosquitto: Any, which: signal.Signals, status: int) -> None:
    with SerialScale(PtyEnd(tmp_path / "scale"), ramp, period_s=0.05) as scale:
        file = site_file(tmp_path, mosquitto.port, scale.end.address, 'profile = "status-first"')
        process = subprocess.Popen(
            [sys.executable, "-m", "agent", "bridge", "--config", str(file)],
            stderr=subprocess.PIPE,
            text=True,
        )
        try:
            ear.more(5)
            process.send_signal(which)
            _, said = process.communicate(timeout=20)
        finally:
            process.kill()
        ear.until(lambda: ear.states and ear.states[-1]["state"] == "offline")
    assert process.returncode == status
    assert "connected to 127.0.0.1" in said


def test_killed_the_broker_tells_that_it_is_gone(ear: Ear, tmp_path: Path, mosquitto: Any) -> None:
    with SerialScale(PtyEnd(tmp_path / "scale"), ramp, period_s=0.05) as scale:
        file = site_file(tmp_path, mosquitto.port, scale.end.address, 'profile = "status-first"')
        process = subprocess.Popen(
            [sys.executable, "-m", "agent", "bridge", "--config", str(file)], stderr=subprocess.DEVNULL
        )
        ear.more(5)
        process.kill()
        process.wait(timeout=10)
        ear.until(lambda: ear.states and ear.states[-1]["state"] == "offline")


def test_a_site_without_serial_scales_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from agent.commands.main import main

    file = tmp_path / "site.toml"
    text = SITE.format(broker=1883, port="/dev/null", serial='profile = "status-first"')
    begin, end = text.index("    [cells.scales.serial]"), text.index("  [[cells.guns]]")
    file.write_text(text[:begin] + text[end:])
    assert main(["bridge", "--config", str(file)]) == 2
    assert "no scale has a serial line" in capsys.readouterr().err


def test_listening_shows_the_bytes_and_what_they_mean(tmp_path: Path) -> None:
    with SerialScale(PtyEnd(tmp_path / "scale"), ramp, period_s=0.05) as scale:
        file = site_file(tmp_path, 1, scale.end.address, 'profile = "status-first"')
        process = subprocess.Popen(
            [sys.executable, "-m", "agent", "bridge", "--config", str(file), "--listen"],
            stdout=subprocess.PIPE,
            text=True,
        )
        assert process.stdout is not None
        lines = [process.stdout.readline() for _ in range(6)]
        process.terminate()
        process.communicate(timeout=20)
    assert any("read as 100.0 g, stable" in line for line in lines), lines
    assert any("b'ST,GS,+" in line for line in lines)
