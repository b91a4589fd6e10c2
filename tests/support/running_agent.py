"""The installed agent as a process of its own, beside a broker."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

AGENT = """\
[agent]
id = "edge-7"
state_dir = "state"
timezone = "Europe/Helsinki"

"""
JOB_AND_CELL = """
[[setups]]
name = "gearbox-primer"
fluid = "n-butyl acetate"
target_g_per_min = 84.0
tolerance_pct = 5.0
balance_pct = 4.0
shot_s = 4.0
shots = 3
bleed_s = 2.0
pot_pressure_bar = 0.6

[[cells]]
id = "booth-2"
  [[cells.scales]]
  id = "bench"
  resolution_g = 0.05
  capacity_g = 4200.0
  [[cells.guns]]
  id = "port"
  scale = "bench"
  [[cells.guns]]
  id = "starboard"
  scale = "bench"
"""
SITE = f"""{AGENT}[mqtt]
host = "127.0.0.1"
port = {{port}}
root = "yard"
{JOB_AND_CELL}"""


class RunningAgent:
    """`shotgram run` on a broker's port, with its log in a file."""

    def __init__(self, folder: Path, port: int, more: str = "") -> None:
        self.folder = folder
        self.config = folder / "site.toml"
        self.config.write_text(SITE.format(port=port) + more)
        self.log = folder / "agent.log"
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> RunningAgent:
        """Start the process."""
        command = [sys.executable, "-m", "agent", "run", "--config", str(self.config)]
        with self.log.open("ab") as log:
            self._process = subprocess.Popen(command, stderr=log, stdout=log)
        return self

    @property
    def pid(self) -> int:
        """Process id."""
        assert self._process is not None
        return self._process.pid

    def stop(self, number: int = signal.SIGTERM, within_s: float = 5.0) -> int:
        """Send a signal and wait; the exit status."""
        assert self._process is not None
        self._process.send_signal(number)
        return self._process.wait(within_s)

    def kill(self) -> None:
        """SIGKILL: no chance to clean up."""
        if self._process is not None and self._process.poll() is None:
            self._process.kill()
            self._process.wait(5.0)

    def log_text(self) -> str:
        """What it logged."""
        return self.log.read_text(errors="replace") if self.log.exists() else ""


class Listener:
    """Hears everything under a root, and may speak."""

    def __init__(self, port: int, root: str = "yard", name: str = "listener") -> None:
        self.heard: list[tuple[str, bytes, bool]] = []
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=name)
        self._client.on_connect = lambda client, *_: client.subscribe(f"{root}/#", 1)
        self._client.on_message = lambda _c, _d, m: self.heard.append((m.topic, bytes(m.payload), m.retain))
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()

    def say(self, topic: str, body: Any, qos: int = 1) -> None:
        """Publish JSON."""
        self._client.publish(topic, json.dumps(body), qos).wait_for_publish(5.0)

    def records(self, kind: str) -> list[dict[str, Any]]:
        """Records of a kind, in the order heard."""
        found = []
        for _, payload, _ in list(self.heard):
            try:
                body = json.loads(payload)
            except ValueError:
                continue
            if isinstance(body, dict) and body.get("record") == kind:
                found.append(body)
        return found

    def close(self) -> None:
        """Disconnect."""
        self._client.disconnect()
        self._client.loop_stop()


def wait_until(what: Callable[[], bool], within_s: float = 20.0) -> None:
    """Wait for something; AssertionError where it does not come."""
    deadline = time.monotonic() + within_s
    while time.monotonic() < deadline:
        if what():
            return
        time.sleep(0.05)
    raise AssertionError("it did not happen in time")


class Shots:
    """Speaks for a scale and a controller in real time: short dispenses at a known flow."""

    def __init__(self, listener: Listener, flow_g_per_s: float = 1.4, rate_hz: float = 20.0) -> None:
        self._say = listener.say
        self._flow = flow_g_per_s
        self._period_s = 1.0 / rate_hz
        self._mass_g = 250.0
        self._seq = 0
        self._events = 0

    def rest(self, seconds: float) -> None:
        """Readings of a plateau."""
        self._readings(seconds, 0.0, time.time())

    def shoot(self, seconds: float, gun: str = "port", *, closing: bool = True) -> None:
        """One dispense with its events."""
        opened_s = time.time()
        self._event("gun_opened", gun, opened_s)
        # The valve's own times, however long a busy machine takes to tell them.
        closed_s = self._readings(seconds, self._flow, opened_s)
        if closing:
            self._event("gun_closed", gun, closed_s)

    def lose_readings(self, number: int) -> None:
        """Readings that were numbered and never came."""
        self._seq += number

    def _readings(self, seconds: float, flow: float, began: float) -> float:
        last = began
        while (now := time.time()) - began < seconds:
            self._mass_g += flow * (now - last)
            last = now
            self._seq += 1
            # Rounded as a scale with 0.05 g steps does.
            value = round(round(self._mass_g / 0.05) * 0.05, 2)
            self._say(
                "yard/booth-2/scale/bench/reading",
                {"value": value, "unit": "g", "t": now, "seq": self._seq},
                0,
            )
            time.sleep(self._period_s)
        self._mass_g += flow * ((ended := time.time()) - last)
        return ended

    def _event(self, name: str, gun: str, at_s: float) -> None:
        self._events += 1
        body = {"event": name, "t": at_s, "id": f"made-{self._events}", "gun": gun, "purpose": "shot"}
        self._say("yard/booth-2/controller/event", {**body, "setup": "gearbox-primer"})
