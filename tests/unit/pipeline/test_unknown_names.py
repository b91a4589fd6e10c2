"""Answers to requests and commands to alarms that nobody knows are counted and warned of."""

from __future__ import annotations

import json
from collections.abc import Iterator

import pytest

from agent.contract.inputs import AlarmCommand, RawMessage, Reply
from agent.contract.plan import Cell, Gun, Plan, Scale, Setup, Shift
from agent.contract.records import Alert, Request
from agent.contract.times import epoch_s
from agent.pipeline.pipeline import Outcome, Pipeline

SETUP = Setup("gearbox-primer", "n-butyl acetate", 84.0, shot_s=20.0)
CELL = Cell(
    "booth-2",
    (Scale("bench", 0.05, 4200.0),),
    (Gun("port", "bench"),),
    (Shift("early", (0, 1, 2, 3, 4), "06:00", 30.0, SETUP.name),),
)
PLAN = Plan("edge-7", "yard", "UTC", (CELL,), (SETUP,), ())
AT_S = epoch_s("2026-03-02T05:30:00Z")


@pytest.fixture
def pipeline() -> Pipeline:
    return Pipeline(PLAN)


@pytest.fixture
def seconds() -> Iterator[float]:
    return iter(AT_S + 10.0 + second for second in range(10_000))


def say(pipeline: Pipeline, topic: str, at_s: float, **body: object) -> Outcome:
    return pipeline.take(RawMessage(f"yard/{topic}", json.dumps(body).encode(), at_s, qos=1))


def test_an_answer_to_a_request_of_nobody_is_told_and_kept(pipeline: Pipeline) -> None:
    (request,) = [r for r in pipeline.passed(AT_S).records if isinstance(r, Request)]
    outcome = say(pipeline, "booth-2/reply", AT_S + 1, id="request-of-nobody", accepted=True)
    assert outcome.refused is not None
    assert outcome.refused.code == "unknown_request"
    assert "'request-of-nobody'" in outcome.refused.fault
    assert outcome.complaint is not None
    assert outcome.complaint.startswith("dropped a message on yard/booth-2/reply: it answers request")
    assert [type(one) for one in outcome.told] == [Reply]
    for at_s in (AT_S + 2, AT_S + 3):  # the second one comes when it is over
        outcome = say(pipeline, "booth-2/reply", at_s, id=request.id, accepted=False, reason="unknown setup")
        assert (outcome.refused, outcome.complaint) == (None, None)
    assert pipeline.refused() == {("yard/booth-2/reply", "unknown_request"): 1}


@pytest.mark.parametrize("cell", ["booth-2", "agent"])
def test_a_command_for_an_alarm_that_is_not_there_names_those_that_are(pipeline: Pipeline, cell: str) -> None:
    wrong, right = {
        "booth-2": ("flow-off-target", "flow-off-target-port"),
        "agent": ("disk-fill", "disk-filling"),
    }[cell]
    outcome = say(pipeline, f"{cell}/alert/{wrong}/command", AT_S, command="acknowledge", by="setter")
    assert outcome.refused is not None
    assert outcome.refused.code == "unknown_alarm"
    assert f"{cell} has no alarm '{wrong}'" in outcome.refused.fault
    assert right in outcome.refused.fault
    assert outcome.complaint is not None
    assert [type(one) for one in outcome.told] == [AlarmCommand]
    assert say(pipeline, f"{cell}/alert/{right}/command", AT_S + 1, command="acknowledge").refused is None
    assert sum(pipeline.refused().values()) == 1


def test_a_sender_that_goes_on_is_warned_of_now_and_then_and_raises_the_alarm(
    pipeline: Pipeline, seconds: Iterator[float]
) -> None:
    outcomes = [
        say(pipeline, "booth-2/reply", next(seconds), id=f"strange-{number}", accepted=True)
        for number in range(30)
    ]
    assert sum(outcome.complaint is not None for outcome in outcomes) == 1
    alerts = [one for outcome in outcomes for one in outcome.records if isinstance(one, Alert)]
    (alert,) = [one for one in alerts if one.name == "input-rejected"]
    assert alert.state == "UNACK"
    assert "yard/booth-2/reply" in alert.text
