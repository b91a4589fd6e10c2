"""What the page tells a technician to do next at a gun."""

from __future__ import annotations

from typing import Any

import pytest
from made_records import START_S, make_check

from agent.assessment.desk_status import GunStatus
from agent.contract.records import Advice, Cause, RankedCause
from agent.contract.times import rfc3339
from agent.page.next_step import next_step


def gun(verdict: str | None = None, **changes: Any) -> GunStatus:
    check = None if verdict is None else make_check(1, verdict=verdict)
    values: dict[str, Any] = {
        "gun": "upper",
        "check": check,
        "setting": 2.0,
        "parts_since": None,
        "asked": False,
        "running": False,
    }
    return GunStatus(**(values | changes))


def advice(**changes: Any) -> Advice:
    values: dict[str, Any] = {
        "id": "advice-1",
        "cell": "north",
        "at": rfc3339(START_S),
        "gun": "upper",
        "setup": "impeller-barrier",
        "setting": 2.0,
        "advised": 2.25,
        "change": 0.25,
        "expected_g_per_min": 96.0,
        "expected_low_g_per_min": 94.0,
        "expected_high_g_per_min": 98.0,
        "response_g_per_min_per_unit": 24.0,
        "reason": "open it",
    }
    return Advice(**(values | changes))


CAUSE = Cause(
    id="cause-1",
    cell="north",
    at=rfc3339(START_S),
    ranked=(RankedCause(code="tip-plugged", weight=0.9, evidence=(), look_at="clean the tip"),),
)


@pytest.mark.parametrize(
    ("status", "found", "line"),
    [
        (gun(), {}, "Run a flow check"),
        (gun("pass"), {}, "Ready"),
        (gun("inconclusive"), {}, "Check again"),
        (gun("pass"), {"is_open": True}, "Spraying"),
        (gun("fail", running=True), {}, "Check is running"),
        (gun(asked=True), {}, "Check asked for"),
        (gun(), {"others_busy": ("lower",)}, "Wait for lower"),
        (gun("pass"), {"others_busy": ("lower",)}, "Ready"),
        (gun("fail"), {"advice": advice()}, "Set needle to 2.25"),
        (gun("fail", setting=None), {"advice": advice(setting=None, advised=None)}, "Open by 0.25 turn"),
        (gun("fail", setting=2.25), {"advice": advice()}, "Check again"),
        (gun("fail"), {"advice": advice(setup="another")}, "Find the cause"),
        (gun("fail"), {"advice": advice(advised=2.0, change=0.0), "cause": CAUSE}, "Find the cause"),
    ],
)
def test_one_line_for_each_state(status: GunStatus, found: dict[str, Any], line: str) -> None:
    words = {"advice": None, "cause": None, "is_open": False} | found
    assert next_step(status, **words).line == line


def test_the_likeliest_cause_is_named() -> None:
    assert next_step(gun("fail"), None, CAUSE, is_open=False).detail == "Clean the tip."


def test_nobody_turns_before_what_must_be_mended_is_mended() -> None:
    reason = "-8.8 % off: open (response 25 +- 12 % per turn); but clean the tip first, for it may be plugged"
    step = next_step(gun("fail"), advice(reason=reason), None, is_open=False)
    assert step.line == "Mend, then turn"
    assert step.detail.startswith("First clean the tip, for it may be plugged. Then open the needle by 0.25")


def test_a_knob_with_clicks_is_turned_by_whole_clicks() -> None:
    found = advice(setting=14.0, advised=11.0, change=-3.0, unit="click")
    step = next_step(gun("fail", setting=14.0), found, None, is_open=False)
    assert step.line == "Set needle to 11"
    assert step.detail == (
        "Close the needle by 3 clicks, from 14 to 11. Expect 96.0 g/min (94.0 to 98.0). Then check again."
    )
    found = advice(setting=None, advised=None, change=1.0, unit="click", expected_g_per_min=None)
    step = next_step(gun("fail", setting=None), found, None, is_open=False)
    assert step.line == "Open by 1 click"
    assert step.detail == "Open the needle by 1 click. Then check again."
