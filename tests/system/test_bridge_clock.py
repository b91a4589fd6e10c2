"""The machine's clock is set by hours while the bridge runs: a real process whose clock can be stepped."""

import json
import os
import queue
import struct
import subprocess
import sys
import threading
import time
from itertools import pairwise
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from simulators.serial_ends import PtyEnd
from simulators.serial_scale import SerialScale

pytestmark = [
    pytest.mark.slow,
    pytest.mark.real_part("mosquitto", "gcc"),
    pytest.mark.skipif(sys.platform != "linux", reason="needs LD_PRELOAD"),
]
SHIM = Path(__file__).parents[1] / "support" / "wall_shim.c"
SITE = """
[agent]
id = "edge-1"
[mqtt]
port = {port}
root = "plant"
[[cells]]
id = "north"
  [[cells.scales]]
  id = "floor"
  resolution_g = 0.1
  capacity_g = 6100.0
    [cells.scales.serial]
    port = "{folder}/scale"
    profile = "status-first"
  [[cells.guns]]
  id = "upper"
  scale = "floor"
"""


class Wall:
    """A clock that can be set while a program runs."""

    def __init__(self, folder: Path) -> None:
        self.library = folder / "wall_shim.so"
        self.file = folder / "offset"
        self.set(0.0)
        subprocess.run(
            ["gcc", "-shared", "-fPIC", "-O1", "-o", self.library, SHIM, "-ldl", "-lm"], check=True
        )

    def set(self, by_s: float) -> None:
        with self.file.open("r+b" if self.file.exists() else "wb") as file:
            file.write(struct.pack("d", by_s))

    @property
    def environment(self) -> dict[str, str]:
        return {**os.environ, "LD_PRELOAD": str(self.library), "WALL_OFFSET": str(self.file)}


@pytest.mark.parametrize("hours", [-2.0, 2.0])
def test_a_step_of_hours_in_the_middle_of_a_ramp(tmp_path: Path, mosquitto: Any, hours: float) -> None:
    wall = Wall(tmp_path)
    file = tmp_path / "site.toml"
    file.write_text(SITE.format(port=mosquitto.port, folder=tmp_path))
    heard: queue.SimpleQueue[dict[str, Any]] = queue.SimpleQueue()
    ready = threading.Event()
    ear = paho.Client(CallbackAPIVersion.VERSION2)
    ear.on_connect = lambda client, *_: client.subscribe("plant/north/scale/floor/reading", qos=1)
    ear.on_subscribe = lambda *_: ready.set()
    ear.on_message = lambda _c, _d, message: heard.put(json.loads(message.payload))
    ear.connect("127.0.0.1", mosquitto.port)
    ear.loop_start()
    assert ready.wait(10)

    def until(value_g: float) -> list[dict[str, Any]]:
        got = [heard.get(timeout=20)]
        while got[-1]["value"] < value_g:
            got.append(heard.get(timeout=20))
        return got

    with SerialScale(PtyEnd(tmp_path / "scale"), lambda t: min(20.0, 4.0 * t), period_s=0.05):
        program = subprocess.Popen(
            [sys.executable, "-m", "agent", "bridge", "--config", str(file)],
            env=wall.environment,
            stderr=subprocess.PIPE,
            text=True,
        )
        try:
            before = until(10.0)
            wall.set(hours * 3600)
            after = until(20.0)
            ramp = before + after
            # What the machine's clock does must have been seen by the program, or nothing is shown here.
            rested_s = time.monotonic() + 40
            last = after[-1]
            while abs(last["t"] - time.time() - hours * 3600) > 5 and time.monotonic() < rested_s:
                last = heard.get(timeout=20)
        finally:
            program.terminate()
            _, said = program.communicate(timeout=20)
            ear.disconnect()
            ear.loop_stop()

    assert abs(ramp[0]["t"] - time.time()) < 120, "begins on the clock of the machine"
    steps = [b["t"] - a["t"] for a, b in pairwise(ramp)]
    assert all(0.0 <= step < 0.5 for step in steps), "no jump within the ramp"
    rise = ramp[-1]["value"] - ramp[0]["value"]
    assert rise / (ramp[-1]["t"] - ramp[0]["t"]) == pytest.approx(4.0, rel=0.05)
    assert last["t"] - time.time() == pytest.approx(hours * 3600, abs=5), "at rest the step is followed"
    assert "clock was set by" in said
