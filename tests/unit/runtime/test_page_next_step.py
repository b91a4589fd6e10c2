"""What the page tells a technician to do next at a gun."""

from __future__ import annotations

from typing import Any

import pytest
from made_records import START_S, make_check

from agent.assessment.desk_status import GunStatus
from agent.contract.records import Advice, Cause, RankedCause, Reason
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
        "why": "open it",
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
    found = advice(first="clean the tip, for it may be plugged")
    step = next_step(gun("fail"), found, None, is_open=False)
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


def why(
    code: str,
    remedy: str = "Run the flow check of gun upper.",
    text: str = "it was so",
    gun: str | None = "upper",
) -> Reason:
    return Reason(code=code, text=text, remedy=remedy, gun=gun)


@pytest.mark.parametrize("verdict", ["pass", "fail", "inconclusive"])
@pytest.mark.parametrize(
    "code",
    [
        "needle_changed",
        "part_changed",
        "check_expired",
        "fluid_changed",
        "target_changed",
        "pressure_changed",
    ],
)
def test_a_gun_whose_check_is_void_is_checked_again_and_the_other_is_ready(code: str, verdict: str) -> None:
    reasons = (why(code, text="the needle of gun upper was set to 2.4 at 08:10, after its check"),)
    step = next_step(gun(verdict), advice(), CAUSE, is_open=False, reasons=reasons)
    assert step.line == "Check again"
    assert step.detail == (
        "The needle of gun upper was set to 2.4 at 08:10, after its check. Run the flow check of gun upper."
    )
    for other in ("lower", "upper-2", "upp"):
        assert next_step(gun("pass", gun=other), None, None, is_open=False, reasons=reasons).line == "Ready"


def test_after_a_first_turn_from_an_unknown_setting_nobody_is_told_to_turn_again() -> None:
    first = advice(setting=None, advised=None, change=0.4)
    off = why("off_target", "Set the needle of gun upper as advised, or mend what the causes name.")
    found = gun("fail", setting=None)
    assert next_step(found, first, None, is_open=False, reasons=(off,)).line == "Open by 0.4 turn"
    turned = (why("needle_changed"), off)
    assert (
        next_step(gun("fail", setting=2.4), first, None, is_open=False, reasons=turned).line == "Check again"
    )


def test_an_outdated_pass_waits_for_the_gun_that_is_in_its_check() -> None:
    reasons = (why("part_changed"),)
    step = next_step(gun("pass"), None, None, is_open=False, reasons=reasons, others_busy=("lower",))
    assert step.line == "Wait for lower"


@pytest.mark.parametrize("verdict", [None, "pass"])
def test_a_setup_nobody_configured_asks_for_no_check(verdict: str | None) -> None:
    reasons = (
        why(
            "setup_unknown", "Add the setup to the configuration.", "no setup hull-primer is configured", None
        ),
    )
    step = next_step(gun(verdict), None, None, is_open=False, reasons=reasons)
    assert step.line == "Setup unknown"
    assert step.detail == "No setup hull-primer is configured. Add the setup to the configuration."


@pytest.mark.parametrize(
    ("code", "off", "remedy", "line"),
    [
        ("balance_missing", None, "Run the flow check of all guns of the cell.", "Check again"),
        ("balance_inconclusive", None, "Run the flow checks again.", "Check again"),
        (
            "unbalanced",
            "upper",
            "Bring gun upper to the others by its needle, then check it again.",
            "Set needle to 2.25",
        ),
        ("unbalanced", "lower", "Bring gun lower to the others by its needle.", "Ready"),
        ("alarm", None, "Do what the alarm says.", "Ready"),
    ],
)
def test_guns_that_pass_and_do_not_agree(code: str, off: str | None, remedy: str, line: str) -> None:
    found, reasons = advice(at=rfc3339(START_S + 600.0)), (why(code, remedy, gun=off),)
    assert next_step(gun("pass"), found, None, is_open=False, reasons=reasons).line == line


def test_an_advice_from_before_the_gun_passed_is_not_followed() -> None:
    reasons = (why("unbalanced", "Bring gun upper to the others by its needle.", "upper gives more"),)
    step = next_step(gun("pass"), advice(), None, is_open=False, reasons=reasons)
    assert step.line == "Find the cause"
    assert step.detail == "Upper gives more. Bring gun upper to the others by its needle."
