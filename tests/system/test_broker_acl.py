"""The site's broker, with exactly the files that deploy/make-site.sh writes, tested pair by pair.

Who may say what and who may hear it is written out here by hand from the outer contract, not read from the
access list: one message from every user on every topic, and every user subscribed to everything.
"""

import json
import re
import socket
import ssl
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from site_broker import DEPLOY, SiteBroker, make_site, start_site_broker

from agent.bridge.publisher import Publisher
from agent.broker.client import Address, Message

pytestmark = [pytest.mark.real_part("mosquitto", "openssl")]

USERS = ["edge-1", "edge-1-bridge", "viewer", "maintenance", "north-controller", "south-controller"]
AGENT, BRIDGE, VIEWER, MAINTENANCE, NORTH, SOUTH = USERS
# Agents that stand by for each other listen as users of their own; whoever's turn it is speaks as the agent.
A, B = EARS = {"edge-1-a", "edge-1-b"}
SPARKPLUG, SCADA = "edge-1-sparkplug", "scada"
USERS += [*sorted(EARS), SPARKPLUG, SCADA]
NOBODY: set[str] = set()

MAY: dict[str, tuple[set[str], set[str]]] = {
    # topic: (who may write it, who may read it)
    "plant/north/scale/floor/reading": ({BRIDGE}, {AGENT, *EARS, MAINTENANCE}),
    "plant/south/scale/floor/reading": ({BRIDGE}, {AGENT, *EARS, MAINTENANCE}),
    "plant/north/controller/event": ({NORTH}, {AGENT, *EARS, MAINTENANCE}),
    "plant/south/controller/event": ({SOUTH}, {AGENT, *EARS, MAINTENANCE}),
    "plant/north/pot/pressure": ({NORTH}, {AGENT, *EARS, MAINTENANCE}),
    "plant/north/fluid/temperature": ({NORTH}, {AGENT, *EARS, MAINTENANCE}),
    "plant/north/reply": ({NORTH}, {AGENT, *EARS, MAINTENANCE}),
    "plant/north/request": ({AGENT}, {*EARS, NORTH, MAINTENANCE}),
    "plant/south/request": ({AGENT}, {*EARS, SOUTH, MAINTENANCE}),
    "plant/north/flow/dispense": ({AGENT}, {*EARS, VIEWER, MAINTENANCE}),
    "plant/north/flow/check/upper": ({AGENT}, {*EARS, VIEWER, MAINTENANCE}),
    "plant/north/flow/balance": ({AGENT}, {*EARS, VIEWER, MAINTENANCE}),
    "plant/north/flow/wear/upper": ({AGENT}, {*EARS, VIEWER, MAINTENANCE}),
    "plant/north/flow/cause": ({AGENT}, {*EARS, VIEWER, MAINTENANCE}),
    "plant/north/flow/release": ({AGENT}, {*EARS, VIEWER, MAINTENANCE, NORTH}),
    "plant/south/flow/release": ({AGENT}, {*EARS, VIEWER, MAINTENANCE, SOUTH}),
    "plant/north/flow/advice/upper": ({AGENT}, {*EARS, VIEWER, MAINTENANCE, NORTH}),
    "plant/north/alert/scale_silent": ({AGENT}, {*EARS, VIEWER, MAINTENANCE}),
    "plant/north/alert/scale_silent/command": ({MAINTENANCE}, {AGENT, *EARS, MAINTENANCE}),
    "plant/agent/alert/broker-lost": ({AGENT}, {*EARS, VIEWER, MAINTENANCE}),
    "plant/agent/alert/broker-lost/command": ({MAINTENANCE}, {AGENT, *EARS, MAINTENANCE}),
    "plant/agent/edge-1/state": ({AGENT}, {*EARS, VIEWER, MAINTENANCE, NORTH, SOUTH}),
    "plant/agent/edge-1/lease": ({AGENT}, {*EARS, MAINTENANCE}),
    "plant/agent/edge-1/ear/a": (NOBODY, {MAINTENANCE}),
    "plant/agent/edge-1/canary": ({AGENT}, {AGENT, *EARS, MAINTENANCE}),
    "plant/agent/edge-1/bridge": ({BRIDGE}, {VIEWER, MAINTENANCE}),
    "plant/agent/edge-2/state": (NOBODY, NOBODY),
    "plant/agent/edge-2/lease": (NOBODY, NOBODY),
    "spBv1.0/shop/NBIRTH/edge-1": ({SPARKPLUG}, {SCADA}),
    "spBv1.0/shop/NDATA/edge-1": ({SPARKPLUG}, {SCADA}),
    "spBv1.0/shop/NDEATH/edge-1": ({SPARKPLUG}, {SCADA}),
    "spBv1.0/shop/DBIRTH/edge-1/north": ({SPARKPLUG}, {SCADA}),
    "spBv1.0/shop/DDATA/edge-1/north": ({SPARKPLUG}, {SCADA}),
    "spBv1.0/shop/DDEATH/edge-1/north": ({SPARKPLUG}, {SCADA}),
    "spBv1.0/shop/NCMD/edge-1": ({SCADA}, {SPARKPLUG, SCADA}),
    "spBv1.0/shop/DCMD/edge-1/north": (NOBODY, NOBODY),
    "spBv1.0/shop/NBIRTH/edge-2": (NOBODY, NOBODY),
    "spBv1.0/yard/NBIRTH/edge-1": (NOBODY, NOBODY),
    "spBv1.0/STATE/scada": ({SCADA}, {SPARKPLUG, SCADA}),
    "spBv1.0/STATE/other": (NOBODY, NOBODY),
    "plant/west/scale/floor/reading": (NOBODY, NOBODY),
    "plant/west/controller/event": (NOBODY, NOBODY),
    "plant/north": (NOBODY, NOBODY),
    "plant/north/anything": (NOBODY, NOBODY),
    "other/north/scale/floor/reading": (NOBODY, NOBODY),
    "$SYS/broker/uptime": (NOBODY, NOBODY),
}


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[SiteBroker]:
    broker = start_site_broker(tmp_path_factory.mktemp("site"))
    yield broker
    broker.part.stop()


@pytest.fixture(autouse=True)
def _leave(site: SiteBroker) -> Iterator[None]:
    yield
    site.leave()


def connected(site: SiteBroker, user: str, **how: Any) -> paho.Client:
    client = site.client(user, **how)
    answered = threading.Event()
    client.on_connect = lambda *_: answered.set()
    client.connect("127.0.0.1", site.port, keepalive=20)
    client.loop_start()
    assert answered.wait(10)
    return client


def wait(enough: Callable[[], Any], within_s: float = 20.0) -> None:
    end = time.monotonic() + within_s
    while not enough():
        assert time.monotonic() < end
        time.sleep(0.02)


@pytest.mark.parametrize("version", [MQTTProtocolVersion.MQTTv5, MQTTProtocolVersion.MQTTv311])
def test_everybody_on_every_topic(site: SiteBroker, version: MQTTProtocolVersion) -> None:
    heard: dict[str, set[tuple[str, str]]] = {user: set() for user in USERS}
    clients = {}
    granted: dict[str, threading.Event] = {user: threading.Event() for user in USERS}
    answers: dict[tuple[str, int], int] = {}
    for user in USERS:
        client = connected(site, user, version=version)
        client.on_subscribe = lambda *_, user=user: granted[user].set()
        client.on_publish = lambda _c, _d, mid, reason, _p, user=user: answers.update(
            {(user, mid): reason.value}
        )

        def on_message(_c: Any, _d: Any, message: paho.MQTTMessage, user: str = user) -> None:
            body = message.payload.decode()
            if body.startswith("from "):
                heard[user].add((body.removeprefix("from "), message.topic))

        client.on_message = on_message
        client.subscribe([("#", 1), ("$SYS/#", 1)])
        clients[user] = client
    assert all(event.wait(10) for event in granted.values())

    sent = {}
    for user, client in clients.items():
        for topic in MAY:
            sent[user, topic] = client.publish(topic, f"from {user}", qos=1).mid
    wait(lambda: len(answers) == len(sent))
    time.sleep(0.5)

    expected = {
        reader: {
            (writer, topic)
            for topic, (writers, readers) in MAY.items()
            if reader in readers
            for writer in writers
        }
        for reader in USERS
    }
    assert heard == expected
    if version == MQTTProtocolVersion.MQTTv5:
        for (user, topic), mid in sent.items():
            refused = answers[user, mid] == 0x87
            assert refused == (user not in MAY[topic][0]), (user, topic, hex(answers[user, mid]))


def test_every_topic_of_the_contract_is_in_the_table() -> None:
    """A topic that is added to the contract must be thought of here."""
    from agent.contract.topics import Topics

    topics = Topics("plant")
    samples = {"cell": "north", "scale": "floor", "gun": "upper", "name": "scale_silent", "agent": "edge-1"}
    for name, method in vars(Topics).items():
        if callable(method) and not name.startswith("_"):
            wanted = method.__code__.co_varnames[1 : method.__code__.co_argcount]
            assert getattr(topics, name)(*(samples[one] for one in wanted)) in MAY, name


def test_the_encrypted_port_is_the_only_one(site: SiteBroker) -> None:
    """An option of listeners that stands above the first `listener` line opens port 1883 besides."""
    opened = re.findall(r"Opening \S+ listen socket on port (\d+)", site.part.log.read_text())
    assert set(opened) == {str(site.port)}
    children = Path("/proc/net/tcp").read_text() + Path("/proc/net/tcp6").read_text()
    held = {str(link.readlink()) for link in Path(f"/proc/{site.part.pid}/fd").iterdir() if link.is_symlink()}
    listening = {
        int(words[1].rpartition(":")[2], 16)
        for words in (line.split() for line in children.splitlines())
        if words[3] == "0A" and f"socket:[{words[9]}]" in held
    }
    assert listening == {site.port}


def test_nobody_takes_over_another_session(site: SiteBroker) -> None:
    """The agent is away and five events wait for it; somebody connects with its id and a clean session."""
    keep = Properties(PacketTypes.CONNECT)
    keep.SessionExpiryInterval = 3600
    agent = site.client("edge-1")
    ready = threading.Event()
    agent.on_connect = lambda client, *_: client.subscribe("plant/north/controller/event", qos=1)
    agent.on_subscribe = lambda *_: ready.set()
    agent.connect("127.0.0.1", site.port, clean_start=True, properties=keep)
    agent.loop_start()
    assert ready.wait(10)
    agent.disconnect()
    agent.loop_stop()

    controller = connected(site, "north-controller")
    for number in range(5):
        controller.publish("plant/north/controller/event", f"event {number}", qos=1).wait_for_publish(5)
    thief = connected(site, "maintenance", claims="edge-1")
    thief.disconnect()
    thief.loop_stop()

    got: list[bytes] = []
    back = site.client("edge-1")
    back.on_message = lambda _c, _d, message: got.append(bytes(message.payload))
    back.connect("127.0.0.1", site.port, clean_start=False, properties=keep)
    back.loop_start()
    wait(lambda: len(got) == 5)
    back.disconnect()
    back.loop_stop()


def test_a_will_cannot_forge_either(site: SiteBroker) -> None:
    heard: list[str] = []
    ear = connected(site, "maintenance")
    ear.on_message = lambda _c, _d, message: heard.append(message.payload.decode())
    granted = threading.Event()
    ear.on_subscribe = lambda *_: granted.set()
    ear.subscribe("plant/#", qos=1)
    assert granted.wait(10)
    forger = site.client("viewer")
    forger.will_set("plant/north/flow/release", "released by a forger", qos=1)
    forger.connect("127.0.0.1", site.port)
    forger.loop_start()
    wait(forger.is_connected)
    line = forger.socket()
    assert line is not None
    line.close()
    speaker = connected(site, "edge-1")
    speaker.publish("plant/north/flow/release", "held by the agent", qos=1).wait_for_publish(5)
    wait(lambda: "held by the agent" in heard)
    time.sleep(0.5)
    assert "released by a forger" not in heard


@pytest.mark.parametrize("who", ["nobody", "stranger", "self-signed", "server"])
def test_who_has_no_certificate_of_the_site_stays_out(site: SiteBroker, tmp_path: Path, who: str) -> None:
    context = ssl.create_default_context(cafile=str(site.authority))
    if who == "server":
        context.load_cert_chain(site.folder / "broker" / "broker.crt", site.folder / "broker" / "broker.key")
    elif who == "stranger":
        make_site(tmp_path / "other", tmp_path, 1)
        context.load_cert_chain(
            tmp_path / "other" / "clients" / "edge-1.crt", tmp_path / "other" / "clients" / "edge-1.key"
        )
    elif who == "self-signed":
        subprocess.run(
            f"openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -subj /CN=edge-1 -days 1 "
            f"-keyout {tmp_path}/k -out {tmp_path}/c".split(),
            check=True,
            capture_output=True,
        )
        context.load_cert_chain(tmp_path / "c", tmp_path / "k")
    client = paho.Client(CallbackAPIVersion.VERSION2, client_id="edge-1", reconnect_on_failure=False)
    client.tls_set_context(context)
    let_in = threading.Event()
    client.on_connect = lambda *_: let_in.set()
    try:
        client.connect("127.0.0.1", site.port)
    except (ssl.SSLError, OSError):
        return
    client.loop_start()
    assert not let_in.wait(1.5)
    client.loop_stop()


def test_the_broker_must_have_the_name_it_is_called_by(site: SiteBroker) -> None:
    """The certificate is for 127.0.0.1 alone: called by another name, it is somebody else's."""
    context = ssl.create_default_context(cafile=str(site.authority))
    context.load_cert_chain(*site.certificate("edge-1"))
    for name, good in (("127.0.0.1", True), ("localhost", False)):
        with socket.create_connection(("127.0.0.1", site.port)) as line:
            if good:
                context.wrap_socket(line, server_hostname=name).close()
            else:
                with pytest.raises(ssl.SSLCertVerificationError, match="mismatch"):
                    context.wrap_socket(line, server_hostname=name)


def test_the_bridge_speaks_with_its_certificate(site: SiteBroker, caplog: pytest.LogCaptureFixture) -> None:
    cert, key = site.certificate("edge-1-bridge")
    ca = site.authority
    will = Message("plant/agent/edge-1/bridge", json.dumps({"state": "offline"}).encode(), 1, retain=True)
    address = Address(
        "127.0.0.1", site.port, "edge-1-bridge", tls=True, ca_file=ca, cert_file=cert, key_file=key
    )
    publisher = Publisher(address, will)
    publisher.start()
    try:
        publisher.send(Message("plant/north/scale/floor/reading", b'{"value":1}', 1))
        wait(lambda: publisher.taken)
        publisher.send(Message("plant/north/controller/event", b'{"event":"gun_opened"}', 1))
        wait(lambda: "refuses what is published on plant/north/controller/event" in caplog.text)
    finally:
        publisher.stop()


def test_a_bridge_without_a_certificate_says_so(site: SiteBroker, caplog: pytest.LogCaptureFixture) -> None:
    ca = site.authority
    will = Message("plant/agent/edge-1/bridge", b"{}", 1, retain=True)
    publisher = Publisher(Address("127.0.0.1", site.port, "x", tls=True, ca_file=ca, version="5"), will)
    publisher.start()
    try:
        wait(lambda: "certificate" in caplog.text)
        assert publisher.alive(2.0)
        assert not publisher.connected
    finally:
        publisher.stop()


def test_keys_are_for_their_owner_alone_and_are_kept(site: SiteBroker) -> None:
    keys = sorted(site.folder.glob("*/*.key"))
    assert len(keys) == 2 + len(USERS)
    before = {key: key.read_bytes() for key in keys}
    assert all(key.stat().st_mode & 0o077 == 0 for key in keys)
    make_site(site.folder, site.folder / "etc", site.port)
    assert {key: key.read_bytes() for key in keys} == before


@pytest.mark.parametrize("name", ["no rth", "../north", "+", "#", "nörth", "", "-x", "a/b", "n|e;id"])
def test_a_name_that_could_widen_a_right_is_refused(tmp_path: Path, name: str) -> None:
    words = ["--out", tmp_path / "x", "--root", "plant", "--agent", "edge-1", "--broker", "h", "--cell", name]
    done = subprocess.run(
        ["sh", str(DEPLOY / "make-site.sh"), *map(str, words)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 2
    assert "--cell" in done.stderr
    assert not (tmp_path / "x").exists()
