"""Captures written by the simulators, against what mosquitto_sub itself writes."""

import json
from pathlib import Path

import pytest

from agent.intake.capture import BadLine, read_capture
from simulators.capture import capture_line, simulate_capture, write_capture
from simulators.messages import Message


def test_a_capture_repeats_to_the_byte_with_its_truth_beside(tmp_path: Path) -> None:
    truth = tmp_path / "a.truth.jsonl"
    one = list(simulate_capture("worn-nozzle", 3, truth=truth))
    assert one == list(simulate_capture("worn-nozzle", 3))
    assert write_capture(one, tmp_path / "a.jsonl") == len(one)
    assert (tmp_path / "a.jsonl").read_text().splitlines() == one
    truths = [json.loads(line) for line in truth.read_text().splitlines()]
    assert len(truths) == 8
    upper = [t["flow_g_per_min"] for t in truths if t["gun"] == "upper" and t["purpose"] == "shot"]
    assert sum(upper) / 3 == pytest.approx(96.0 * 1.12, rel=0.01)


def test_every_line_is_read_back_as_it_was_sent() -> None:
    lines = list(simulate_capture("good-day"))
    read = list(read_capture(line.encode() for line in lines))
    assert len(read) == len(lines)
    assert not any(isinstance(message, BadLine) for message in read)
    first = json.loads(lines[0])
    assert list(first) == ["tst", "topic", "qos", "retain", "payloadlen", "payload"]


@pytest.mark.parametrize(
    ("payload", "expected"),
    [(b"", '"payload":null}'), (b"12.5", '"payloadlen":4,"payload":12.5}'), (b"wet", ""), (b"\xff", "")],
)
def test_payloads_that_are_no_json(payload: bytes, expected: str) -> None:
    line = capture_line(Message(1_772_429_400.25, "a/b", payload, 1, True))
    assert line.endswith(expected)
    if expected:
        assert line.startswith('{"tst":"2026-03-02T05:30:00.250000Z+0000","topic":"a/b","qos":1,"retain":1,')
