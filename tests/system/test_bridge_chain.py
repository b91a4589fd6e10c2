"""The whole chain: a scale on a terminal, the bridge, the site's own broker, the agent, the journal."""

import json
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from site_broker import SiteBroker, start_site_broker

from simulators.serial_ends import PtyEnd
from simulators.serial_scale import SerialScale

pytestmark = pytest.mark.real_part("mosquitto", "openssl")

FLOW_G_PER_S = 1.6
OPEN_S = 6.0
SITE = """
[agent]
id = "edge-1"
state_dir = "{folder}/journal"
timezone = "Europe/Lisbon"
[mqtt]
host = "127.0.0.1"
port = {port}
root = "plant"
ca_file = "{certs}/ca.crt"
cert_file = "{certs}/edge-1.crt"
key_file = "{certs}/edge-1.key"
[bridge]
cert_file = "{certs}/edge-1-bridge.crt"
key_file = "{certs}/edge-1-bridge.key"
[[setups]]
name = "impeller-barrier"
fluid = "butanone"
target_g_per_min = 96.0
shot_s = 6.0
[[cells]]
id = "north"
  [[cells.scales]]
  id = "floor"
  resolution_g = 0.01
  capacity_g = 6100.0
    [cells.scales.serial]
    port = "{folder}/scale"
    profile = "status-first"
  [[cells.guns]]
  id = "upper"
  scale = "floor"
[[cells]]
id = "south"
  [[cells.scales]]
  id = "floor"
  resolution_g = 0.01
  capacity_g = 6100.0
  [[cells.guns]]
  id = "only"
  scale = "floor"
"""


class Container:
    """A container on the scale: what is dispensed stays in it."""

    def __init__(self) -> None:
        self.opened_s: float | None = None
        self.closed_s: float | None = None

    def mass_g(self, elapsed_s: float) -> float:
        if self.opened_s is None:
            return 500.0
        until_s = elapsed_s if self.closed_s is None else min(elapsed_s, self.closed_s)
        return 500.0 + FLOW_G_PER_S * max(0.0, until_s - self.opened_s)


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[SiteBroker]:
    broker = start_site_broker(tmp_path / "site")
    yield broker
    broker.leave()
    broker.part.stop()


def test_a_shot_from_the_serial_line_into_the_journal(broker: SiteBroker, tmp_path: Path) -> None:
    file = tmp_path / "site.toml"
    file.write_text(SITE.format(folder=tmp_path, port=broker.port, certs=broker.folder / "clients"))
    container = Container()
    heard: list[tuple[str, dict[str, Any]]] = []
    dispensed = threading.Event()
    began = threading.Event()
    controller = broker.client("north-controller")
    ear = broker.client("maintenance")
    ear.on_connect = lambda client, *_: client.subscribe("plant/#", qos=1)

    def on_message(_c: Any, _d: Any, message: Any) -> None:
        body = json.loads(message.payload) if message.payload.startswith(b"{") else {}
        heard.append((message.topic, body))
        if message.topic == "plant/north/flow/dispense":
            dispensed.set()
        if message.topic == "plant/agent/edge-1/state" and body.get("state") == "online":
            began.set()

    ear.on_message = on_message
    for client in (ear, controller):
        client.connect("127.0.0.1", broker.port)
        client.loop_start()

    def event(name: str, scale: SerialScale, elapsed_s: float) -> None:
        body = {
            "event": name,
            "t": time.time() - time.monotonic() + scale.began_s + elapsed_s,
            "id": f"{name}-1",
            "gun": "upper",
            "purpose": "shot",
            "setup": "impeller-barrier",
        }
        controller.publish("plant/north/controller/event", json.dumps(body), qos=1).wait_for_publish(5)

    with SerialScale(PtyEnd(tmp_path / "scale"), container.mass_g, period_s=0.1) as scale:
        programs = [
            subprocess.Popen([sys.executable, "-m", "agent", command, "--config", str(file)])
            for command in ("bridge", "run")
        ]
        try:
            assert began.wait(40)
            time.sleep(8)
            container.opened_s = scale.elapsed_s()
            event("gun_opened", scale, container.opened_s)
            container.closed_s = container.opened_s + OPEN_S
            time.sleep(OPEN_S)
            event("gun_closed", scale, container.closed_s)
            assert dispensed.wait(60)
        finally:
            for program in programs:
                program.terminate()
            statuses = [program.wait(timeout=30) for program in programs]
    assert statuses == [0, 0]

    (told,) = [body for topic, body in heard if topic == "plant/north/flow/dispense"]
    # Conventional value of weighing in air (OIML D 28): air of 1.2 kg/m3, weights of 8000 kg/m3; butanone has
    # 805 kg/m3 at 20 C (CRC Handbook, from memory).
    buoyancy = (1 - 1.2 / 8000) / (1 - 1.2 / 805)
    true_g = FLOW_G_PER_S * OPEN_S * buoyancy
    assert told["gun"] == "upper"
    assert told["scale"] == "floor"
    assert told["open_s"] == pytest.approx(OPEN_S, abs=0.01)
    assert told["mass_g"] == pytest.approx(true_g, abs=max(0.03, 3 * told["u_mass_g"]))
    assert told["flow_g_per_min"] == pytest.approx(60 * true_g / OPEN_S, rel=0.01)
    assert told["quality"] != "rejected", told
    assert "clock_from_arrival" not in told["flags"]

    history = subprocess.run(
        [sys.executable, "-m", "agent", "history", "--config", str(file), "--kind", "dispense", "--json"],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    (kept,) = [json.loads(line) for line in history.stdout.splitlines()]
    assert kept["id"] == told["id"]
    assert kept["mass_g"] == told["mass_g"]
    assert not [topic for topic, body in heard if topic.startswith("plant/north/alert/acl")]
