"""No secret gets out: not into logs, arguments, the environment, the journal, nor what is published."""

import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from simulators.serial_ends import PtyEnd
from simulators.serial_scale import SerialScale

pytestmark = pytest.mark.real_part("mosquitto")

SECRETS = {"mqtt": "hush-mqtt-7f3a", "bridge": "hush-bridge-91c4", "influx": "hush-influx-e2d8"}
SITE = """
[agent]
id = "edge-1"
state_dir = "{folder}/state"
log_level = "debug"
[mqtt]
port = {port}
root = "plant"
username = "agent"
password_file = "secrets/mqtt"
[bridge]
username = "bridge"
password_file = "secrets/bridge"
[influx]
url = "http://127.0.0.1:9"
org = "shop"
bucket = "flow"
token_file = "secrets/influx"
[[setups]]
name = "impeller-barrier"
fluid = "butanone"
target_g_per_min = 96.0
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


@pytest.mark.parametrize("refused", [False, True], ids=["let in", "refused"])
@pytest.mark.parametrize("command", ["run", "bridge"])
def test_no_secret_gets_out(tmp_path: Path, mosquitto_factory: Any, command: str, refused: bool) -> None:
    passwords = tmp_path / "passwords"
    passwords.touch(mode=0o600)
    for user in ("agent", "bridge"):
        word = "another" if refused else SECRETS["mqtt" if user == "agent" else "bridge"]
        subprocess.run(["mosquitto_passwd", "-b", passwords, user, word], check=True, capture_output=True)
    subprocess.run(["mosquitto_passwd", "-b", passwords, "ear", "ear"], check=True, capture_output=True)
    broker = mosquitto_factory(listeners={"plain": f"allow_anonymous false\npassword_file {passwords}"})
    (tmp_path / "secrets").mkdir()
    for name, secret in SECRETS.items():
        (tmp_path / "secrets" / name).write_text(secret + "\n")
    file = tmp_path / "site.toml"
    file.write_text(SITE.format(folder=tmp_path, port=broker.port))

    published: list[bytes] = []
    heard = threading.Event()
    ear = paho.Client(CallbackAPIVersion.VERSION2)
    ear.username_pw_set("ear", "ear")
    ear.on_connect = lambda client, *_: client.subscribe("#", qos=1)

    def on_message(_c: Any, _d: Any, message: paho.MQTTMessage) -> None:
        published.append(bytes(message.payload))
        if message.topic.startswith("plant/agent/edge-1/"):
            heard.set()

    ear.on_message = on_message
    ear.connect("127.0.0.1", broker.port)
    ear.loop_start()
    with SerialScale(PtyEnd(tmp_path / "scale"), lambda _t: 5.0):
        process = subprocess.Popen(
            [sys.executable, "-m", "agent", command, "--config", str(file)],
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
        )
        try:
            heard.wait(3 if refused else 30)
            time.sleep(3)
            outside = Path(f"/proc/{process.pid}/cmdline").read_bytes()
            outside += Path(f"/proc/{process.pid}/environ").read_bytes()
            process.send_signal(signal.SIGTERM)
            said, _ = process.communicate(timeout=30)
        finally:
            process.kill()
            ear.disconnect()
            ear.loop_stop()
    assert heard.is_set() != refused
    assert said, "at debug level something is logged"
    kept = b"".join(
        item.read_bytes()
        for item in (tmp_path / "state").rglob("*")
        if item.is_file() and os.access(item, os.R_OK)
    )
    for secret in SECRETS.values():
        for where, content in {
            "the log": said,
            "arguments or environment": outside,
            "the journal": kept,
            "what is published": b"".join(published),
        }.items():
            assert secret.encode() not in content, f"a secret in {where}"
