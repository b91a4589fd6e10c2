"""The systemd units: how much they expose, whether the programs can live inside them, what they tell systemd.

systemd does not run here as the first process, so the units themselves cannot be started: their rules are
applied one by one.
"""

import os
import re
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from simulators.serial_ends import PtyEnd
from simulators.serial_scale import SerialScale

UNITS = sorted((Path(__file__).parents[2] / "deploy" / "systemd").glob("*.service"))
SITE = """
[agent]
id = "edge-1"
state_dir = "{folder}/state"
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
each_unit = pytest.mark.parametrize("unit", UNITS, ids=lambda unit: unit.stem)
each_command = pytest.mark.parametrize("command", ["run", "bridge"])


def settings(unit: Path, key: str) -> list[str]:
    return re.findall(rf"^{key}=(.*)$", unit.read_text(), re.MULTILINE)


@each_unit
@pytest.mark.real_part("systemd-analyze")
def test_exposure_is_at_most_two(unit: Path) -> None:
    """The scale of systemd-analyze(1): 0 is shut in, 10 is wide open; the threshold is in tenths."""
    done = subprocess.run(
        ["systemd-analyze", "security", "--offline=true", "--threshold=20", "--no-pager", str(unit)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout[-400:] + done.stderr


@each_unit
@pytest.mark.real_part("systemd-analyze")
def test_systemd_understands_every_line(unit: Path, tmp_path: Path) -> None:
    program = Path(sys.executable).with_name("shotgram")
    script = unit.parents[1] / "signed-config.sh"
    copy = tmp_path / unit.name
    for source in (unit, *unit.parent.glob(f"{unit.name}.d/*.conf")):
        target = tmp_path / source.relative_to(unit.parent)
        target.parent.mkdir(exist_ok=True)
        text = source.read_text().replace("/opt/shotgram/bin/shotgram", str(program))
        target.write_text(text.replace("/opt/shotgram/bin/signed-config.sh", str(script)))
    done = subprocess.run(
        ["systemd-analyze", "verify", str(copy)], capture_output=True, text=True, check=False
    )
    complaints = [line for line in done.stderr.splitlines() if str(tmp_path) in line or unit.name in line]
    assert done.returncode == 0, done.stderr
    assert not complaints


@each_unit
def test_the_promises_of_a_service_nobody_watches(unit: Path) -> None:
    assert settings(unit, "Restart") == ["always"]
    assert settings(unit, "StartLimitIntervalSec") == ["0"]
    assert settings(unit, "Type") == ["notify"]
    assert settings(unit, "DynamicUser") == ["yes"]
    assert settings(unit, "LoadCredential")
    assert int(settings(unit, "WatchdogSec")[0]) >= 60, "the programs feed it every 15 to 30 s"


@pytest.fixture
def site(tmp_path: Path, mosquitto: Any) -> Path:
    file = tmp_path / "site.toml"
    file.write_text(SITE.format(folder=tmp_path, port=mosquitto.port))
    return file


@pytest.fixture
def scale(tmp_path: Path) -> Iterator[SerialScale]:
    with SerialScale(PtyEnd(tmp_path / "scale"), lambda t: t) as scale:
        yield scale


def until_online(port: int, command: str) -> None:
    """Return when the program has told the broker that it is there."""
    online = threading.Event()
    client = paho.Client(CallbackAPIVersion.VERSION2)
    client.on_connect = lambda client, *_: client.subscribe("plant/agent/edge-1/+", qos=1)
    wanted = {"run": "plant/agent/edge-1/state", "bridge": "plant/agent/edge-1/bridge"}[command]

    def on_message(_c: Any, _d: Any, message: paho.MQTTMessage) -> None:
        if message.topic == wanted and b'"online"' in message.payload:
            online.set()

    client.on_message = on_message
    client.connect("127.0.0.1", port)
    client.loop_start()
    try:
        assert online.wait(40)
    finally:
        client.disconnect()
        client.loop_stop()


def shotgram(command: str, site: Path) -> list[str]:
    return [sys.executable, "-m", "agent", command, "--config", str(site)]


def allowed_syscalls(unit: Path) -> set[str]:
    """The names that SystemCallFilter= of a unit lets through, from systemd's own sets."""
    said = subprocess.run(
        ["systemd-analyze", "syscall-filter", "--no-pager"], capture_output=True, text=True, check=True
    ).stdout
    sets: dict[str, list[str]] = {}
    current: list[str] = []
    for line in re.sub(r"\x1b\[[0-9;]*m", "", said).splitlines():
        name = line.strip()
        if line.startswith("@"):
            current = sets.setdefault(name, [])
        elif name and not name.startswith("#"):
            current.append(name)

    def members(name: str) -> set[str]:
        if not name.startswith("@"):
            return {name}
        return {one for member in sets[name] for one in members(member)}

    allowed: set[str] = set()
    for words in settings(unit, "SystemCallFilter"):
        named = {one for word in words.removeprefix("~").split() for one in members(word)}
        allowed = allowed - named if words.startswith("~") else allowed | named
    return allowed


def calls_of(command: str, site: Path, port: int, trace: Path, *refuse: str) -> set[str]:
    """Run a program until it is online and stop it; the system calls it made. `refuse` fail with EPERM."""
    words = ["strace", "-f", "-qq", "-c", "-o", str(trace)]
    if refuse:
        words += ["-e", f"inject={','.join(refuse)}:error=EPERM"]
    tracer = subprocess.Popen([*words, *shotgram(command, site)], stderr=subprocess.DEVNULL)
    try:
        until_online(port, command)
        time.sleep(2)
        (program,) = Path(f"/proc/{tracer.pid}/task/{tracer.pid}/children").read_text().split()
        os.kill(int(program), signal.SIGTERM)
        assert tracer.wait(timeout=30) == 0
    finally:
        tracer.kill()
    lines = trace.read_text().splitlines()
    return {line.split()[-1] for line in lines if re.match(r"\s+\d+\.\d+ ", line)} - {"total"}


@each_command
@pytest.mark.real_part("mosquitto", "strace", "systemd-analyze")
def test_the_program_lives_with_the_calls_that_its_unit_allows(
    command: str, site: Path, mosquitto: Any, scale: SerialScale, tmp_path: Path
) -> None:
    unit = next(u for u in UNITS if u.stem == {"run": "shotgram", "bridge": "shotgram-bridge"}[command])
    allowed = allowed_syscalls(unit)
    used = calls_of(command, site, mosquitto.port, tmp_path / "calls")
    assert {"futex", "sendto", "openat"} <= used
    forbidden = used - allowed
    # SQLite hands new files to their folder's owner when it is root, which the unit's user is not; numerical
    # libraries ask where to place their memory. Refused, they go on.
    assert forbidden <= {"fchown", "mbind", "sched_setaffinity"}
    if forbidden:
        calls_of(command, site, mosquitto.port, tmp_path / "again", *forbidden)


@each_command
@pytest.mark.real_part("mosquitto")
@pytest.mark.skipif(sys.platform != "linux", reason="a switch of the Linux kernel")
def test_the_program_lives_without_writable_code(
    command: str, site: Path, mosquitto: Any, scale: SerialScale
) -> None:
    """MemoryDenyWriteExecute=yes, by the kernel's own switch: prctl(PR_SET_MDWE), Linux 6.3."""
    probe = "import ctypes, sys; sys.exit(ctypes.CDLL(None).prctl(65, 1, 0, 0, 0) != 0)"
    if subprocess.run([sys.executable, "-c", probe], check=False).returncode != 0:
        pytest.skip("this kernel has no PR_SET_MDWE")
    switch = (
        "import ctypes, mmap, os, sys\n"
        "if ctypes.CDLL(None).prctl(65, 1, 0, 0, 0) != 0: sys.exit(77)\n"
        "try: mmap.mmap(-1, 4096, prot=mmap.PROT_READ | mmap.PROT_WRITE | mmap.PROT_EXEC)\n"
        "except PermissionError: os.execv(sys.executable, [sys.executable, *sys.argv[1:]])\n"
        "sys.exit(78)\n"
    )
    process = subprocess.Popen([sys.executable, "-c", switch, *shotgram(command, site)[1:]])
    try:
        until_online(mosquitto.port, command)
        process.send_signal(signal.SIGTERM)
        assert process.wait(timeout=30) == 0
    finally:
        process.kill()


@each_command
@pytest.mark.real_part("mosquitto")
def test_tells_systemd_that_it_is_ready_alive_and_stopping(
    command: str, site: Path, mosquitto: Any, scale: SerialScale, tmp_path: Path
) -> None:
    address = tmp_path / "notify"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(address))
        manager.settimeout(30)
        environment = {**os.environ, "NOTIFY_SOCKET": str(address), "WATCHDOG_USEC": "2000000"}
        process = subprocess.Popen(shotgram(command, site), env=environment, stderr=subprocess.DEVNULL)
        told: list[str] = []
        try:
            while sum("WATCHDOG=1" in words for words in told) < 3:
                told.append(manager.recv(1000).decode())
            process.send_signal(signal.SIGTERM)
            while "STOPPING=1" not in told[-1]:
                told.append(manager.recv(1000).decode())
            assert process.wait(timeout=30) == 0
        finally:
            process.kill()
    assert "READY=1" in told[0]
