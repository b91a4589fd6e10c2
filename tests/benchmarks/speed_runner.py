"""The same sum in a general-purpose low-code flow runner from npm: Node-RED.

MQTT in, a function node with mean-after less mean-before, MQTT out. Install it once, outside the project:

    npm install --prefix /tmp/flow-runner node-red     (or set FLOW_RUNNER to the folder)
"""

from __future__ import annotations

import json
import os
import shutil
import time
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import real_parts
from paho.mqtt.enums import CallbackAPIVersion
from speed_process import Pinned

MISSING = "the benchmark needs mosquitto: apt-get install mosquitto"
FUNCTION = """\
const [, cell, kind, name] = msg.topic.split('/');
const scales = context.get('scales') || {};
if (!context.get('scales')) context.set('scales', scales);
const key = cell + '/' + (kind === 'scale' ? name : 's0');
const s = scales[key] || (scales[key] = {r: [], shots: [], opened: null});
const body = msg.payload;
if (kind === 'controller') {
    if (body.event === 'gun_opened') s.opened = body.t;
    if (body.event === 'gun_closed' && s.opened !== null) {
        s.shots.push({from: s.opened, to: body.t});
        s.opened = null;
    }
    return null;
}
s.r.push([body.t, body.value]);
while (s.r.length && s.r[0][0] < body.t - 60) s.r.shift();
if (!s.shots.length || body.t < s.shots[0].to + 10.5) return null;
const {from, to} = s.shots.shift();
const mean = (a, b) => {
    const inside = s.r.filter(([t]) => t >= a && t < b);
    return inside.reduce((sum, [, v]) => sum + v, 0) / inside.length;
};
const mass = mean(to + 2.5, to + 10.5) - mean(from - 8, from - 0.5);
const flow = 60 * mass / (to - from);
return {topic: 'runner/' + cell + '/dispense', payload: {mass_g: mass, flow_g_per_min: flow}};
"""


def home() -> Path:
    """Where the flow runner is installed."""
    return Path(os.environ.get("FLOW_RUNNER", "/tmp/flow-runner"))  # noqa: S108  (outside the project on purpose)


def flow(port: int) -> list[dict[str, Any]]:
    """The wiring: three nodes and a broker."""
    broker: dict[str, Any] = {
        "id": "b",
        "type": "mqtt-broker",
        "broker": "127.0.0.1",
        "port": str(port),
        "clientid": "runner",
    }
    broker |= {"autoConnect": True, "protocolVersion": "5", "keepalive": "60", "cleansession": True}
    into = {"type": "mqtt in", "z": "t", "qos": "1", "datatype": "json", "broker": "b", "wires": [["f"]]}
    return [
        {"id": "t", "type": "tab", "label": "flow verification"},
        broker,
        {**into, "id": "i1", "topic": "plant/+/scale/+/reading"},
        {**into, "id": "i2", "topic": "plant/+/controller/event"},
        {"id": "f", "type": "function", "z": "t", "func": FUNCTION, "outputs": 1, "wires": [["o"]]},
        {"id": "o", "type": "mqtt out", "z": "t", "topic": "", "qos": "1", "broker": "b", "wires": []},
    ]


class Runner:
    """A running flow runner, pinned."""

    def __init__(self, folder: Path, port: int, core: int) -> None:
        self._folder, self._core = folder, core
        self._http = real_parts.free_port()
        (folder / "flows.json").write_text(json.dumps(flow(port)))
        (folder / "settings.js").write_text(
            f"module.exports = {{flowFile: 'flows.json', uiPort: {self._http}, uiHost: '127.0.0.1', "
            "httpAdminRoot: false, telemetry: {enabled: false}, logging: {console: {level: 'info'}}};\n"
        )
        self._heard: list[float] = []
        self._client = paho.Client(CallbackAPIVersion.VERSION2, "runner-ear")
        self._client.on_message = lambda _c, _d, m: self._heard.append(
            json.loads(m.payload)["flow_g_per_min"]
        )
        self._client.connect("127.0.0.1", port)
        self._client.subscribe("runner/#", 1)
        self._client.loop_start()

    @staticmethod
    def why_not() -> str | None:
        """Why it cannot run here; None where it can."""
        if shutil.which("node") is None:
            return "no node on this machine"
        if not (home() / "node_modules" / "node-red" / "red.js").exists():
            return f"not installed: npm install --prefix {home()} node-red"
        return None

    def start(self) -> None:
        """Start it and wait until it is connected."""
        program = home() / "node_modules" / "node-red" / "red.js"
        command = ["node", str(program), "-u", str(self._folder), "-s", str(self._folder / "settings.js")]
        self.process = Pinned(command, self._core, self._folder)
        ends = time.monotonic() + 60
        while "Connected to broker" not in self.process.log.read_text():
            if time.monotonic() > ends or self.process.process.poll() is not None:
                raise RuntimeError(f"the flow runner did not come:\n{self.process.log.read_text()[-2000:]}")
            time.sleep(0.2)

    def flows(self) -> list[float]:
        """The flows it published, g/min."""
        return list(self._heard)

    def stop(self) -> None:
        """End it."""
        self.process.process.kill()
        self.process.process.wait(10)
        self._client.disconnect()
        self._client.loop_stop()
