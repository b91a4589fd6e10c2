"""The edge node at a real Mosquitto, seen by a host that decodes with a schema that is not ours.

Rules by the normative ids of Eclipse Sparkplug 3.0, named in each test.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
from esio_spb_builder.core import sparkplug_b_pb2
from made_records import make_alert, make_check
from paho.mqtt.enums import CallbackAPIVersion
from running_agent import RunningAgent, wait_until

from agent.broker.client import Address
from agent.contract.plan import Cell, Gun, Plan, Scale
from agent.journal.journal import Journal
from agent.outlets.sparkplug.outlet import OUTLET, SparkplugOutlet, SparkplugSettings

pytestmark = pytest.mark.real_part("mosquitto")

PLAN = Plan(
    agent="edge-1",
    root="plant",
    timezone="Europe/Lisbon",
    cells=(Cell("north", (Scale("floor", 0.1, 6100.0),), (Gun("upper", "floor"), Gun("lower", "floor"))),),
    setups=(),
    fluids=(),
)


class Host:
    """A SCADA host: hears the group, checks the sequence numbers, may command."""

    def __init__(self, port: int, group: str = "shop") -> None:
        self.heard: list[tuple[str, Any, int, bool]] = []
        self.client = paho.Client(CallbackAPIVersion.VERSION2, client_id=f"host-{port}")
        self.client.on_message = self._hear
        self.client.on_connect = lambda client, *_: client.subscribe(f"spBv1.0/{group}/#", 1)
        subscribed = threading.Event()
        self.client.on_subscribe = lambda *_: subscribed.set()
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()
        assert subscribed.wait(5.0)
        self._group = group

    def _hear(self, _client: Any, _data: Any, message: paho.MQTTMessage) -> None:
        if "/NCMD/" in message.topic:
            return
        payload = sparkplug_b_pb2.Payload()
        payload.ParseFromString(message.payload)
        self.heard.append((message.topic.split("/", 2)[2], payload, message.qos, message.retain))

    def ask_for_rebirth(self, edge: str = "edge-1") -> None:
        command = sparkplug_b_pb2.Payload(timestamp=round(time.time() * 1000))
        command.metrics.add(name="Node Control/Rebirth", datatype=11, boolean_value=True)
        self.client.publish(f"spBv1.0/{self._group}/NCMD/{edge}", command.SerializeToString(), 0)

    def of(self, kind: str) -> list[Any]:
        return [payload for topic, payload, _, _ in list(self.heard) if topic.startswith(f"{kind}/")]

    def wait_for(self, kind: str, how_many: int) -> None:
        wait_until(lambda: len(self.of(kind)) == how_many)

    def kinds(self) -> list[str]:
        return [topic.split("/")[0] for topic, *_ in list(self.heard)]

    def bd_seqs(self, kind: str) -> list[int]:
        return [metric(payload, "bdSeq").long_value for payload in self.of(kind)]

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


def metric(payload: Any, name: str) -> Any:
    return next(one for one in payload.metrics if one.name == name)


class Edge:
    """The outlet in its thread."""

    def __init__(self, journal: Journal, port: int, version: str) -> None:
        broker = Address("127.0.0.1", port, "edge-1-sparkplug", version, keepalive_s=2)
        settings = SparkplugSettings("shop", "edge-1", lambda: broker, "0.1.0")
        self.faults: list[str] = []
        self.outlet = SparkplugOutlet(
            settings, PLAN, journal.outlet_view(OUTLET), lambda fault: self.faults.append(fault.code)
        )
        self.stop_it = threading.Event()
        self.fault: BaseException | None = None
        self.thread = threading.Thread(target=self._run)
        self.thread.start()

    def _run(self) -> None:
        try:
            self.outlet.run(self.stop_it)
        except BaseException as fault:
            self.fault = fault
            raise

    def stop(self) -> None:
        self.stop_it.set()
        self.thread.join(10.0)
        assert not self.thread.is_alive()
        assert self.fault is None


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    opened = Journal.open(tmp_path / "state", version="0.1.0", config_digest="0" * 16)
    opened.declare_outlets({OUTLET: "new"})
    yield opened
    opened.close()


@pytest.fixture
def host(mosquitto: Any) -> Iterator[Host]:
    listening = Host(mosquitto.port)
    yield listening
    listening.close()


@pytest.fixture(params=["3.1.1", "5"])
def version(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture
def edge(journal: Journal, mosquitto: Any, host: Host, version: str) -> Iterator[Edge]:
    running = Edge(journal, mosquitto.port, version)
    wait_until(lambda: "DBIRTH" in host.kinds())
    yield running
    running.stop_it.set()
    running.thread.join(10.0)


def test_k1_k4_k5_birth_then_data_in_order_then_farewell(journal: Journal, edge: Edge, host: Host) -> None:
    """topics-*-mqtt, payloads-*-seq-inc, topics-nbirth-seq-num, payloads-ndeath-will-message-publisher-*."""
    journal.append([make_check(1), make_alert(1, name="check-overdue")])
    wait_until(lambda: len(host.of("DDATA")) == 2)
    edge.stop()
    wait_until(lambda: "NDEATH" in host.kinds())
    assert host.kinds() == ["NBIRTH", "DBIRTH", "DDATA", "DDATA", "DDEATH", "NDEATH"]
    assert [payload.seq for _, payload, _, _ in host.heard[:-1]] == [0, 1, 2, 3, 4]
    assert [(qos, retain) for _, _, qos, retain in host.heard] == [(0, False)] * 5 + [(1, False)]
    check = host.of("DDATA")[0]
    assert metric(check, "Guns/upper/Check/Flow").double_value == 96.1
    assert metric(check, "Guns/upper/Check/Verdict").string_value == "pass"
    assert metric(host.of("DDATA")[1], "Alarms/check-overdue/Active").boolean_value
    assert journal.pending(OUTLET, 10) == []


def test_k2_k9_a_clean_leave_tells_the_death_once(edge: Edge, host: Host) -> None:
    """payloads-ndeath-seq; payloads-ndeath-will-message-publisher-disconnect-mqtt311 and -mqtt50."""
    edge.stop()
    wait_until(lambda: "NDEATH" in host.kinds())
    time.sleep(0.5)
    deaths = host.of("NDEATH")
    assert len(deaths) == 1
    assert not deaths[0].HasField("seq")
    assert [one.name for one in deaths[0].metrics] == ["bdSeq"]
    assert host.bd_seqs("NDEATH") == host.bd_seqs("NBIRTH") == [0]


def test_k3_the_will_speaks_for_a_lost_line_and_the_next_birth_counts_on(
    edge: Edge, host: Host, mosquitto: Any
) -> None:
    """message-flow-edge-node-birth-publish-will-message-payload-bdSeq."""
    # Another client with the same id: the broker drops ours, and nobody said farewell.
    other = paho.Client(CallbackAPIVersion.VERSION2, client_id="edge-1-sparkplug")
    other.connect("127.0.0.1", mosquitto.port)
    other.loop_start()
    wait_until(lambda: len(host.of("NDEATH")) == 1)
    other.disconnect()
    other.loop_stop()
    wait_until(lambda: len(host.of("NBIRTH")) >= 2)
    assert host.bd_seqs("NDEATH")[0] == 0
    assert host.bd_seqs("NBIRTH")[:2] == [0, 1]


def test_k3_the_count_goes_on_after_a_restart_and_wraps(
    journal: Journal, mosquitto: Any, host: Host, version: str
) -> None:
    journal.keep({"sparkplug/bd-seq": b"254"})
    for births in (1, 2):
        running = Edge(journal, mosquitto.port, version)
        host.wait_for("DBIRTH", births)
        running.stop()
        host.wait_for("NDEATH", births)
    assert host.bd_seqs("NBIRTH") == host.bd_seqs("NDEATH") == [255, 0]


def test_k7_a_rebirth_is_given_when_it_is_asked_for(journal: Journal, edge: Edge, host: Host) -> None:
    """operational-behavior-data-commands-rebirth-action-1, -2, -3."""
    journal.append([make_check(1)])
    wait_until(lambda: "DDATA" in host.kinds())
    time.sleep(1.0)
    host.ask_for_rebirth()
    wait_until(lambda: len(host.of("DBIRTH")) == 2)
    assert host.bd_seqs("NBIRTH") == [0, 0]
    assert [payload.seq for payload in host.of("NBIRTH")] == [0, 0]
    assert metric(host.of("DBIRTH")[0], "Guns/upper/Check/Flow").is_null
    assert metric(host.of("DBIRTH")[1], "Guns/upper/Check/Flow").double_value == 96.1
    journal.append([make_check(2)])
    wait_until(lambda: len(host.of("DDATA")) == 2)
    assert host.of("DDATA")[1].seq == 2


def test_a_flood_of_commands_gives_few_rebirths_and_nonsense_gives_none(edge: Edge, host: Host) -> None:
    host.client.publish("spBv1.0/shop/NCMD/edge-1", b"\xff\xfe nonsense", 0)
    for _ in range(200):
        host.ask_for_rebirth()
    time.sleep(2.5)
    assert 2 <= len(host.of("NBIRTH")) <= 4
    assert edge.thread.is_alive()


def test_what_happened_while_the_broker_was_away_is_told_as_historical(
    journal: Journal, edge: Edge, host: Host, mosquitto: Any
) -> None:
    """payloads-metric-... is_historical: a value told late does not stand for the present one."""
    mosquitto.kill()
    journal.append([make_check(1, mean_g_per_min=95.0), make_check(2, mean_g_per_min=97.0)])
    mosquitto.start()
    wait_until(lambda: len(host.of("DDATA")) == 2, 30.0)
    birth = host.of("DBIRTH")[-1]
    assert metric(birth, "Guns/upper/Check/Flow").double_value == 97.0
    late = [metric(payload, "Guns/upper/Check/Flow") for payload in host.of("DDATA")]
    assert [(one.double_value, one.is_historical) for one in late] == [(95.0, True), (97.0, True)]
    assert edge.faults == ["scada-lost", "scada-reached"]
    journal.append([make_check(3)])
    wait_until(lambda: len(host.of("DDATA")) == 3)
    assert not metric(host.of("DDATA")[2], "Guns/upper/Check/Flow").is_historical


def test_the_running_agent_is_an_edge_node_beside_its_own_topics(tmp_path: Path, mosquitto: Any) -> None:
    host = Host(mosquitto.port, "yard")
    running = RunningAgent(tmp_path, mosquitto.port, '\n[sparkplug]\ngroup = "yard"\n')
    try:
        running.start()
        wait_until(lambda: "DBIRTH" in host.kinds())
        birth = host.of("DBIRTH")[0]
        assert metric(birth, "Guns/starboard/Needle/Advised").is_null
        assert metric(host.of("NBIRTH")[0], "Properties/Agent").string_value == "edge-7"
        assert running.stop() == 0
        wait_until(lambda: "NDEATH" in host.kinds())
        assert len(host.of("NDEATH")) == 1
        running.start()
        wait_until(lambda: len(host.of("DBIRTH")) == 2)
        running.kill()
        wait_until(lambda: len(host.of("NDEATH")) == 2, 30.0)
        assert host.bd_seqs("NDEATH") == host.bd_seqs("NBIRTH") == [0, 1]
    finally:
        running.kill()
        host.close()
