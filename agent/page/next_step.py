"""What to do next at a gun: a short line to read from three metres, and a sentence for who comes near."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from agent.assessment.desk_status import GunStatus
from agent.contract.records import Advice, Cause, Check
from agent.report.words import amount, counted, mend_first, sentence, turn_told, way

Tone = Literal["good", "bad", "wait"]


@dataclass(frozen=True, slots=True)
class NextStep:
    """What to do."""

    line: str
    detail: str = ""


def next_step(
    gun: GunStatus,
    advice: Advice | None,
    cause: Cause | None,
    *,
    is_open: bool,
    others_busy: tuple[str, ...] = (),
) -> NextStep:
    """What to do next at this gun; `others_busy` are guns of its cell that are in a check."""
    check = gun.check
    if is_open:
        return NextStep("Spraying", "Keep clear; hands off the scale and its container.")
    if gun.running:
        return NextStep("Check is running", "Hands off the scale until all shots are in.")
    if gun.asked:
        return NextStep("Check asked for", "The controller starts it when its interlocks allow.")
    if others_busy and (check is None or check.verdict != "pass"):
        return NextStep(f"Wait for {others_busy[0]}", "Another gun of this cell is being checked.")
    if check is None:
        return NextStep("Run a flow check", "No check of this setup is known.")
    if check.verdict == "pass":
        return NextStep("Ready", _tolerance(check))
    if check.verdict == "inconclusive":
        return NextStep("Check again", sentence(check.reason))
    return _after_failure(gun, advice, cause, check.reason)


def _after_failure(gun: GunStatus, advice: Advice | None, cause: Cause | None, why: str) -> NextStep:
    check = gun.check
    fits = advice is not None and check is not None and advice.setup == check.setup
    if advice is not None and fits:
        if None not in (gun.setting, advice.setting) and gun.setting != advice.setting:
            return NextStep("Check again", f"The needle was set to {gun.setting:.6g} since the last check.")
        if advice.change:
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
