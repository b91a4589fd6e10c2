"""Sparkplug B on paper: payloads byte for byte, every rule of numbers and certificates.

Sources: Eclipse Sparkplug 3.0, normative ids (tck-id-...) beside each test; the golden payloads were encoded
by pysparkplug 0.6.1 and read by the schema that mqtt-spb-wrapper 2.1.2 was compiled from. The decoder here is
the compiled schema of esio-spb-builder: it shares no code with ours.
"""

from __future__ import annotations

import contextlib
from typing import Any

import pytest
from esio_spb_builder.core import sparkplug_b_pb2
from hypothesis import given
from hypothesis import strategies as st
from made_records import make_alert, make_check, make_dispense

from agent.assessment.alarms_table import CELL_ALARMS
from agent.assessment.alarms_table_agent import AGENT_ALARMS
from agent.contract.plan import Cell, Gun, Plan, Scale
from agent.contract.records import Advice, Balance, Cause, RankedCause, Reason, Record, Release, Wear, WearDue
from agent.contract.times import epoch_s
from agent.outlets.sparkplug.image import Image
from agent.outlets.sparkplug.node import EdgeNode
from agent.outlets.sparkplug.payloads import DataType, Metric, asks_for_rebirth, encoded

NOW_MS = 1_700_000_000_000
PLAN = Plan(
    agent="edge-1",
    root="plant",
    timezone="Europe/Lisbon",
    cells=(
        Cell("north", (Scale("floor", 0.1, 6100.0),), (Gun("upper", "floor"), Gun("lower", "floor"))),
        Cell("south", (Scale("bench", 0.1, 6100.0),), (Gun("single", "bench"),)),
    ),
    setups=(),
    fluids=(),
)
AT: dict[str, Any] = {"cell": "north", "at": "2026-03-02T05:31:00.250Z"}
RECORDS: list[Record] = [
    make_check(1),
    make_dispense(1),
    make_alert(1, name="check-overdue"),
    make_alert(2, name="disk-full", cell="agent"),
    Wear(
        id="w",
        **AT,
        gun="upper",
        part="nozzle",
        since=None,
        checks=9,
        change_pct=3.5,
        change_low_pct=2.0,
        change_high_pct=5.0,
        pattern="drift",
        limit_pct=10.0,
        due=WearDue(date="2026-05-01T00:00:00.000Z", earliest="2026-04-01T00:00:00.000Z", latest=None),
        due_g=None,
        reason="it rises",
    ),
    Advice(
        id="a",
        **AT,
        gun="upper",
        setup="impeller-barrier",
        setting=2.5,
        advised=2.4,
        change=-0.1,
        expected_g_per_min=96.0,
        expected_low_g_per_min=95.0,
        expected_high_g_per_min=97.0,
        response_g_per_min_per_unit=24.0,
        reason="turn it",
    ),
    Balance(
        id="b",
        **AT,
        setup="impeller-barrier",
        guns=(),
        spread_pct=1.5,
        u_spread_pct=0.3,
        limit_pct=4.0,
        verdict="pass",
        off=None,
        off_by_pct=None,
        reason="",
    ),
    Cause(id="c", **AT, ranked=(RankedCause(code="worn", weight=0.7, evidence=(), look_at="the nozzle"),)),
    Release(
        id="r",
        **AT,
        setup="impeller-barrier",
        state="held",
        reasons=(Reason(code="unchecked", text="upper is not checked.", remedy="Check it."),),
        valid_until=None,
    ),
]


def node(bd_seq: int = 0) -> EdgeNode:
    return EdgeNode("shop", "edge-1", Image(PLAN, "0.1.0", NOW_MS), bd_seq)


def read(data: bytes) -> Any:
    payload = sparkplug_b_pb2.Payload()
    payload.ParseFromString(data)
    return payload


def named(data: bytes) -> dict[str, Any]:
    return {metric.name: metric for metric in read(data).metrics}


def test_the_golden_birth_byte_for_byte() -> None:
    data = encoded([Metric("mass", DataType.DOUBLE, 12.5, NOW_MS)], at_ms=NOW_MS, seq=0)
    assert data.hex() == "0880d095ffbc3112180a046d6173731880d095ffbc31200a6900000000000029401800"


def test_the_golden_death_byte_for_byte() -> None:
    death = node().death(NOW_MS)
    assert death.payload.hex() == "0880d095ffbc3112120a0562645365711880d095ffbc3120045800"


def test_k1_births_and_data_are_qos_0_and_not_retained() -> None:
    """tck-id-topics-nbirth-mqtt, -dbirth-mqtt, -ndata-mqtt, -ddata-mqtt, -ddeath-mqtt."""
    us = node()
    messages = [*us.births(NOW_MS), us.data("north", [], NOW_MS), us.data("", [], NOW_MS)]
    messages += us.farewell(NOW_MS)[:-1]
    assert [message.topic for message in messages] == [
        "spBv1.0/shop/NBIRTH/edge-1",
        "spBv1.0/shop/DBIRTH/edge-1/north",
        "spBv1.0/shop/DBIRTH/edge-1/south",
        "spBv1.0/shop/DDATA/edge-1/north",
        "spBv1.0/shop/NDATA/edge-1",
        "spBv1.0/shop/DDEATH/edge-1/north",
        "spBv1.0/shop/DDEATH/edge-1/south",
    ]
    assert all((message.qos, message.retain) == (0, False) for message in messages)


def test_k2_the_death_is_qos_1_not_retained_with_bdseq_alone_and_no_seq() -> None:
    """tck-id-payloads-ndeath-seq, -ndeath-bdseq, -ndeath-will-message-qos, -ndeath-will-message-retain."""
    death = node(7).death(NOW_MS)
    assert (death.topic, death.qos, death.retain) == ("spBv1.0/shop/NDEATH/edge-1", 1, False)
    payload = read(death.payload)
    assert not payload.HasField("seq")
    assert [(m.name, m.datatype, m.long_value) for m in payload.metrics] == [("bdSeq", 4, 7)]


def test_k3_a_birth_carries_the_wills_bdseq_and_a_rebirth_keeps_it() -> None:
    """tck-id-message-flow-edge-node-birth-publish-nbirth-payload-bdSeq; rebirth-action-3."""
    us = node(255)
    for _ in range(3):
        birth = named(us.births(NOW_MS)[0].payload)
        assert birth["bdSeq"].long_value == named(us.death(NOW_MS).payload)["bdSeq"].long_value == 255
        assert birth["bdSeq"].datatype == DataType.INT64


def test_k4_seq_counts_every_message_and_wraps_from_255_to_0() -> None:
    """tck-id-payloads-ndata-seq-inc, -dbirth-seq-inc, -ddata-seq-inc, -ddeath-seq-inc."""
    us = node()
    seqs = [read(message.payload).seq for message in us.births(NOW_MS)]
    seqs += [read(us.data("north", [], NOW_MS).payload).seq for _ in range(300)]
    *deaths, own = us.farewell(NOW_MS)
    seqs += [read(message.payload).seq for message in deaths]
    assert seqs == [number % 256 for number in range(len(seqs))]
    assert max(seqs) == 255
    assert not read(own.payload).HasField("seq")


def test_k5_every_node_birth_has_seq_0() -> None:
    """tck-id-topics-nbirth-seq-num."""
    us = node()
    for _ in range(2):
        first = read(us.births(NOW_MS)[0].payload)
        assert first.HasField("seq")
        assert first.seq == 0
        us.data("north", [], NOW_MS)


def test_k6_births_name_everything_that_is_ever_told() -> None:
    """tck-id-topics-nbirth-metric-reqs, -dbirth-metric-reqs; -nbirth-rebirth-metric."""
    us = node()
    births = {message.topic: named(message.payload) for message in us.births(NOW_MS)}
    own = births["spBv1.0/shop/NBIRTH/edge-1"]
    rebirth = own["Node Control/Rebirth"]
    assert rebirth.datatype == DataType.BOOLEAN
    assert rebirth.HasField("boolean_value")
    assert rebirth.boolean_value is False
    assert not rebirth.HasField("alias")
    for metrics in births.values():
        for metric in metrics.values():
            assert metric.datatype in list(DataType)
            assert metric.is_null or metric.WhichOneof("value") is not None, metric.name
    told = 0
    for record in RECORDS:
        for device, metric in us.image.changes(record):
            topic = f"spBv1.0/shop/{'DBIRTH' if device else 'NBIRTH'}/edge-1{'/' if device else ''}{device}"
            assert births[topic][metric.name].datatype == metric.datatype
            told += 1
    assert told > 35


def test_every_alarm_of_the_tables_stands_in_a_birth() -> None:
    us = node()
    births = {message.topic: named(message.payload) for message in us.births(NOW_MS)}
    for kind in AGENT_ALARMS:
        assert f"Alarms/{kind.name}/State" in births["spBv1.0/shop/NBIRTH/edge-1"]
    subjects = {"cell": [""], "gun": ["-upper", "-lower"], "scale": ["-floor"]}
    for cell_kind in CELL_ALARMS:
        for end in subjects[cell_kind.of]:
            assert f"Alarms/{cell_kind.name}{end}/Active" in births["spBv1.0/shop/DBIRTH/edge-1/north"]


def test_k7_a_rebirth_is_asked_for_by_a_true_boolean_alone() -> None:
    """tck-id-operational-behavior-data-commands-ncmd-rebirth-name, -value; the other schema writes it."""
    command = sparkplug_b_pb2.Payload(timestamp=NOW_MS)
    metric = command.metrics.add(name="Node Control/Rebirth", timestamp=NOW_MS, datatype=11)
    metric.boolean_value = False
    assert not asks_for_rebirth(command.SerializeToString())
    metric.boolean_value = True
    assert asks_for_rebirth(command.SerializeToString())
    metric.name = "Node Control/Reboot"
    assert not asks_for_rebirth(command.SerializeToString())
    # A data set is a part of the schema that we do not speak: it is passed over.
    other = command.metrics.add(name="set", datatype=16)
    other.dataset_value.num_of_columns = 1
    assert not asks_for_rebirth(command.SerializeToString())
    with pytest.raises(ValueError, match="no Sparkplug B payload"):
        asks_for_rebirth(b"\xff\xff\xff")


@given(st.binary(max_size=200))
def test_no_command_can_do_more_than_be_no_payload(data: bytes) -> None:
    with contextlib.suppress(ValueError):
        assert asks_for_rebirth(data) in {True, False}


def test_k8_every_metric_has_a_name_no_alias_and_its_own_time_in_ms_utc() -> None:
    """tck-id-payloads-timestamp-in-UTC, -name-birth-data-requirement, -metric-timestamp-in-UTC."""
    us = node()
    check = make_check(1)
    changes = list(us.image.changes(check))
    data = read(us.data("north", [metric for _, metric in changes], NOW_MS).payload)
    assert data.timestamp == NOW_MS
    assert len(data.metrics) == 8
    for metric in data.metrics:
        assert metric.timestamp == round(epoch_s(check.at) * 1000)
        assert metric.name.startswith("Guns/upper/Check/")
        assert not metric.HasField("alias")
    us.image.take(check)
    told = named(us.births(NOW_MS)[1].payload)["Guns/upper/Check/Flow"]
    assert (told.double_value, told.timestamp) == (96.1, round(epoch_s(check.at) * 1000))
    assert list(told.properties.keys) == ["engUnit"]
    assert told.properties.values[0].string_value == "g/min"


def test_what_could_not_be_computed_is_null_and_never_zero() -> None:
    us = node()
    us.image.take(make_check(1, mean_g_per_min=None, deviation_pct=None))
    flow = named(us.births(NOW_MS)[1].payload)["Guns/upper/Check/Flow"]
    assert flow.is_null
    assert flow.WhichOneof("value") is None


def test_a_record_of_an_unknown_gun_or_cell_is_told_to_nobody() -> None:
    image = node().image
    assert list(image.changes(make_dispense(1, gun=None))) == []
    assert list(image.changes(make_check(1, gun="gone"))) == []
    assert list(image.changes(make_check(1, cell="gone"))) == []


_VALUES = st.one_of(
    st.tuples(st.just(DataType.DOUBLE), st.floats(allow_nan=False)),
    st.tuples(st.just(DataType.INT64), st.integers(-(2**63), 2**63 - 1)),
    st.tuples(st.just(DataType.INT32), st.integers(-(2**31), 2**31 - 1)),
    st.tuples(st.just(DataType.DATE_TIME), st.integers(0, 2**62)),
    st.tuples(st.just(DataType.BOOLEAN), st.booleans()),
    st.tuples(st.just(DataType.STRING), st.text(max_size=40)),
)


@given(st.lists(st.tuples(st.text(min_size=1, max_size=20), _VALUES, st.integers(0, 2**62), st.booleans())))
def test_the_independent_decoder_reads_what_was_written(
    given_: list[tuple[str, tuple[DataType, Any], int, bool]],
) -> None:
    metrics = [
        Metric(name, datatype, value, at_ms, historical=late)
        for name, (datatype, value), at_ms, late in given_
    ]
    payload = read(encoded(metrics, at_ms=NOW_MS, seq=200))
    assert (payload.timestamp, payload.seq) == (NOW_MS, 200)
    for metric, found in zip(metrics, payload.metrics, strict=True):
        value = getattr(found, found.WhichOneof("value"))
        # Signed numbers are two's complement in an unsigned member (specification, 6.4.16).
        if metric.datatype == DataType.INT64 and value >= 2**63:
            value -= 2**64
        if metric.datatype == DataType.INT32 and value >= 2**31:
            value -= 2**32
        assert (found.name, found.timestamp, found.datatype) == (metric.name, metric.at_ms, metric.datatype)
        assert value == metric.value
        assert found.is_historical == metric.historical
