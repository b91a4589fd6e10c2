"""What to do next at a gun: a short line to read from three metres, and a sentence for who comes near."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from agent.assessment.desk_status import GunStatus
from agent.assessment.wording import counted
from agent.contract.records import Advice, Cause, Check, Reason
from agent.contract.times import epoch_s
from agent.report.words import amount, mend_first, sentence, turn_told, way

Tone = Literal["good", "bad", "wait"]


@dataclass(frozen=True, slots=True)
class NextStep:
    """What to do."""

    line: str
    detail: str = ""


_UNKNOWN = "setup_unknown"
_ONE_GUN_OFF = frozenset({"off_target", "check_inconclusive", "unbalanced"})
"""Reasons of a gun whose check still counts; any other of a gun makes its check void."""


def void_reason(gun: str, reasons: Sequence[Reason]) -> Reason | None:
    """The first reason why a gun's check no longer says how it sprays; None where it still does."""
    for reason in reasons:
        if reason.code == _UNKNOWN or (reason.code not in _ONE_GUN_OFF and reason.gun == gun):
            return reason
    return None


def next_step(
    gun: GunStatus,
    advice: Advice | None,
    cause: Cause | None,
    *,
    is_open: bool,
    reasons: Sequence[Reason] = (),
    others_busy: tuple[str, ...] = (),
) -> NextStep:
    """What to do next at this gun.

    `reasons` are why its cell is held; `others_busy` are guns of its cell that are in a check.
    """
    check = gun.check
    if is_open:
        return NextStep("Spraying", "Keep clear; hands off the scale and its container.")
    if gun.running:
        return NextStep("Check is running", "Hands off the scale until all shots are in.")
    if gun.asked:
        return NextStep("Check asked for", "The controller starts it when its interlocks allow.")
    unknown = next((reason for reason in reasons if reason.code == _UNKNOWN), None)
    if unknown is not None:
        return NextStep("Setup unknown", _why(unknown))
    void, uneven = void_reason(gun.gun, reasons), _uneven(gun.gun, reasons)
    ready = check is not None and check.verdict == "pass" and void is None and uneven is None
    if others_busy and not ready:
        return NextStep(f"Wait for {others_busy[0]}", "Another gun of this cell is being checked.")
    if check is None and void is not None and void.code == "check_incomplete":
        return NextStep("Check again", _why(void))
    if check is None:
        return NextStep("Run a flow check", "No check of this setup is known.")
    if void is not None:
        return NextStep("Check again", _why(void))
    if ready:
        return NextStep("Ready", _tolerance(check))
    if check.verdict == "inconclusive":
        return NextStep("Check again", sentence(check.reason))
    if uneven is not None and uneven.code != "unbalanced":
        return NextStep("Check again", _why(uneven))
    if uneven is not None and advice is not None and epoch_s(advice.at) < epoch_s(check.started_at):
        advice = None  # Told before this gun passed.
    return _after_failure(check, advice, cause, check.reason if uneven is None else _why(uneven))


def _uneven(gun: str, reasons: Sequence[Reason]) -> Reason | None:
    # Guns that pass may still differ too much, or not be known to agree: then all are checked again.
    for reason in reasons:
        if reason.code == "unbalanced" and reason.gun == gun:
            return reason
    if any(reason.code not in {"balance_missing", "balance_inconclusive", "alarm"} for reason in reasons):
        return None
    return next((reason for reason in reasons if reason.code != "alarm"), None)


def _why(reason: Reason) -> str:
    return f"{sentence(reason.text)} {reason.remedy}"


def _after_failure(check: Check, advice: Advice | None, cause: Cause | None, why: str) -> NextStep:
    if advice is not None and advice.setup == check.setup and advice.change:
        return _turn(advice, advice.change)
    if cause is not None and cause.ranked:
        return NextStep("Find the cause", sentence(cause.ranked[0].look_at))
    return NextStep("Find the cause", sentence(why))


def _turn(advice: Advice, change: float) -> NextStep:
    if mend_first(advice):
        # Whoever reads no more than this line must not turn at once.
        return NextStep("Mend, then turn", turn_told(advice))
    if advice.advised is None:
        return NextStep(f"{way(change)} by {amount(change, advice.unit)}", turn_told(advice))
    return NextStep(f"Set needle to {advice.advised:.6g}", turn_told(advice))


def _tolerance(check: Check) -> str:
    shots = counted(len(check.shots), "shot")
    return f"Mean of {shots}. Target {check.target_g_per_min:g} g/min ± {check.tolerance_pct:g} %."
