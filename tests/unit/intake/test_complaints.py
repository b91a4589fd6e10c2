"""Warnings about refused messages: at once, then rarely, counted always, bounded in memory."""

from __future__ import annotations

from agent.contract.inputs import Undecodable
from agent.intake.complaints import OTHERS, Complaints


def refused(topic: str = "w/a", code: str = "not_json", at_s: float = 0.0) -> Undecodable:
    return Undecodable(topic, at_s, "the payload is no JSON", code)


def test_the_first_is_warned_of_with_topic_and_fault() -> None:
    warning = Complaints().about(refused())
    assert warning is not None
    assert "w/a" in warning
    assert "the payload is no JSON" in warning
    assert "not_json" in warning


def test_repeats_are_counted_and_warned_of_rarely() -> None:
    complaints = Complaints(every_s=600.0)
    warnings = [complaints.about(refused(at_s=second)) for second in range(3600)]
    said = [warning for warning in warnings if warning is not None]
    assert len(said) == 6
    assert "600 such since the last warning" in said[1]
    assert complaints.counts() == {("w/a", "not_json"): 3600}


def test_another_topic_or_another_fault_is_another_warning() -> None:
    complaints = Complaints()
    assert complaints.about(refused())
    assert complaints.about(refused(topic="w/b"))
    assert complaints.about(refused(code="unit"))
    assert complaints.about(refused(code="unit")) is None


def test_memory_is_bounded_and_nothing_goes_uncounted() -> None:
    complaints = Complaints(most_kinds=10)
    warnings = [complaints.about(refused(topic=f"w/{number}")) for number in range(5000)]
    counts = complaints.counts()
    assert len(counts) == 11
    assert counts[OTHERS, "not_json"] == 4990
    assert sum(counts.values()) == 5000
    assert sum(warning is not None for warning in warnings) == 11


def test_a_clock_set_back_does_not_silence() -> None:
    complaints = Complaints()
    assert complaints.about(refused(at_s=1e9))
    assert complaints.about(refused(at_s=5.0))


def test_a_topic_that_would_spoil_the_log_is_quoted() -> None:
    warning = Complaints().about(refused(topic="w/\n\x1b[31m" + "x" * 5000))
    assert warning is not None
    assert warning.isprintable()
    assert len(warning) < 400
