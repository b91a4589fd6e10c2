"""Our own clock is set between two shots, a gateway sends readings again: each shot is found once."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

import pytest
from plain_cell import BUOYANCY, T0_S, PlainCell

from agent.contract.inputs import RawMessage
from agent.contract.plan import Plan
from agent.contract.records import Dispense, Record
from agent.pipeline.pipeline import Pipeline
from agent.settings.load import load
from simulators.site import bench_text

SHOTS = [(12.0, 20.0, 96.0, "upper"), (55.0, 20.0, 96.5, "upper"), (110.0, 20.0, 95.8, "upper")]
Line = tuple[float, str, Any, int]


@pytest.fixture(scope="module")
def plan(tmp_path_factory: pytest.TempPathFactory) -> Plan:
    config = tmp_path_factory.mktemp("plain") / "site.toml"
    config.write_text(bench_text())
    return load(config).plan


def numbered(cell: PlainCell) -> list[Line]:
    """A cell's messages in order of arrival, its readings numbered where they are objects."""
    lines = sorted(cell._messages(), key=lambda line: line[0])
    seq = 0
    for _, topic, body, _ in lines:
        if topic.endswith("reading") and isinstance(body, dict):
            seq += 1
            body["seq"] = seq
    return lines


def raw(line: Line, arrived_s: float) -> RawMessage:
    _, topic, body, qos = line
    return RawMessage(topic, json.dumps(body).encode(), arrived_s, qos=qos)


def shots_of(records: Sequence[Record]) -> list[Dispense]:
    return [record for record in records if isinstance(record, Dispense)]


def assert_each_once(found: list[Dispense], within: float = 0.005) -> None:
    assert [shot.quality for shot in found] == ["good"] * len(SHOTS), [shot.flags for shot in found]
    assert [shot.gun for shot in found] == ["upper"] * len(SHOTS)
    assert len({shot.id for shot in found}) == len(SHOTS)
    for shot, (_, _, flow, _) in zip(found, SHOTS, strict=True):
        assert shot.flow_g_per_min == pytest.approx(flow * BUOYANCY, rel=within)
        assert shot.open_s == pytest.approx(20.0, abs=0.1)


@pytest.mark.parametrize("told", [True, False], ids=["told", "by the arrivals alone"])
@pytest.mark.parametrize(("set_at_s", "by_s"), [(46.5, -7200.0), (53.0, 5400.0), (101.0, 30 * 86400.0)])
@pytest.mark.parametrize(
    ("reading_t", "event_t"), [(True, True), (False, False), (True, False), (False, True)]
)
def test_our_own_clock_is_set_between_two_shots(
    plan: Plan, *, reading_t: bool, event_t: bool, set_at_s: float, by_s: float, told: bool
) -> None:
    """The senders' clocks, where they send their times, were right all along."""
    pipeline = Pipeline(plan)
    records: list[Record] = []
    was_set = False
    for line in numbered(PlainCell(shots=SHOTS, rate_hz=5.0, reading_t=reading_t, event_t=event_t)):
        if line[0] >= T0_S + set_at_s and not was_set:
            was_set = True
            records += pipeline.passed(T0_S + set_at_s).records
            if told:
                pipeline.clock_set(by_s)
        records += pipeline.take(raw(line, line[0] + (by_s if was_set else 0.0))).records
    records += pipeline.finish().records
    assert_each_once(shots_of(records))


@pytest.mark.parametrize("after_s", [40.0, 110.0])
@pytest.mark.parametrize("events", [True, False])
def test_readings_sent_again_much_later_are_left_out_and_counted(
    plan: Plan, events: bool, after_s: float
) -> None:
    cell = PlainCell(shots=SHOTS, rate_hz=5.0, events=events)
    lines = numbered(cell)
    again = [
        (arrived + after_s, topic, body, qos)
        for arrived, topic, body, qos in lines
        if topic.endswith("reading") and T0_S + 5.0 < arrived < T0_S + 85.0
    ]
    # The scale goes on meanwhile, at rest.
    rest = PlainCell(shots=[*SHOTS, (after_s + 100.0, 0.1, 0.0, "upper")], rate_hz=5.0, events=False)
    lines += [line for line in numbered(rest) if line[0] > lines[-1][0]]
    pipeline = Pipeline(plan)
    records: list[Record] = []
    for line in sorted([*lines, *again], key=lambda line: line[0]):
        records += pipeline.take(raw(line, line[0])).records
    records += pipeline.finish().records
    found = shots_of(records)
    assert len(found) == len(SHOTS)
    assert [shot.quality for shot in found] == ["good"] * len(SHOTS)
    assert pipeline.readings_repeated() == len(again)
    assert pipeline.readings_missing() == 0


@pytest.mark.parametrize("clock_back_s", [0.0, 7200.0])
@pytest.mark.parametrize("begins_anew", [True, False])
def test_a_scale_that_begins_anew_or_is_set_back_is_heard(
    plan: Plan, begins_anew: bool, clock_back_s: float
) -> None:
    pipeline = Pipeline(plan)
    records: list[Record] = []
    first = None
    for line in numbered(PlainCell(shots=SHOTS, rate_hz=5.0)):
        arrived, topic, body, _ = line
        if topic.endswith("reading") and arrived > T0_S + 95.0:
            first = body["seq"] if first is None else first
            body["seq"] -= first if begins_anew else 0
            body["t"] -= clock_back_s
        records += pipeline.take(raw(line, arrived)).records
    records += pipeline.finish().records
    assert_each_once(shots_of(records))
    assert pipeline.readings_repeated() == 0
    assert pipeline.readings_missing() == 0
