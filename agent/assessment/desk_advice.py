"""What is advised for a gun's needle after a check, and what must be mended before anybody turns it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from agent.assessment.advice import Response, advise, learn_response
from agent.assessment.causes import MendFirst, mend_first
from agent.assessment.memory import GunMemory
from agent.contract.plan import Setup
from agent.contract.records import Advice, Balance, Cause, Check, Wear, record_id

THIRD = 1 / 3
"""Beyond this part of the tolerance an advice is given with every check."""
SURE = 0.6
"""From this weight on, all in all, causes that must be mended keep anybody from turning the needle."""
DOUBTFUL = 0.15
"""From this weight on it is named beside the turn."""


@dataclass(frozen=True, slots=True)
class Findings:
    """What was found of a gun and its cell, that its advice must not contradict."""

    balance: Balance | None
    wear: Wear | None
    cause: Cause | None
    others: tuple[GunMemory, ...] = ()
    """The other guns of the cell: like needles answer alike."""


def advice_record(cell: str, memory: GunMemory, setup: Setup, found: Findings) -> Advice | None:
    """The needle setting that would bring a gun to target, after its latest check; None without a flow."""
    check = memory.last.get(setup.name)
    if check is None or check.at_setpoint_g_per_min is None or check.u_at_setpoint_g_per_min is None:
        return None
    tolerance = setup.tolerance_pct
    if is_off(found.balance, memory.gun.name) and abs(check.deviation_pct or 0.0) <= tolerance:
        # Within its own tolerance, and still the one that spoils the balance: bring it nearer to target.
        tolerance = min(tolerance, setup.balance_pct / 2)
    setting = memory.setting()
    needle = memory.gun.needle
    mend = None if found.cause is None else mend_first(found.cause.ranked, memory.gun.name)
    advised = advise(
        check.at_setpoint_g_per_min,
        check.u_at_setpoint_g_per_min,
        setup.target_g_per_min,
        tolerance,
        setting,
        response=learn_response(list(memory.needle_points), needle, setting, _like(memory, found.others)),
        needle=needle,
        instead=_mend_first(check, found.wear, mend),
        first=_first(mend),
        remark=_remark(found.wear),
    )
    return Advice(
        id=record_id("advice", cell, memory.gun.name, check.id, advised.reason),
        cell=cell,
        at=check.at,
        gun=memory.gun.name,
        setup=setup.name,
        setting=setting,
        advised=advised.advised,
        change=advised.change,
        unit=advised.unit,
        expected_g_per_min=advised.expected,
        expected_low_g_per_min=advised.expected_low,
        expected_high_g_per_min=advised.expected_high,
        response_g_per_min_per_unit=advised.response,
        u_response_g_per_min_per_unit=advised.u_response,
        reason=advised.reason,
        why=advised.why,
        first=advised.first,
        remark=advised.remark,
    )


def _like(memory: GunMemory, others: Sequence[GunMemory]) -> list[Response]:
    """What other guns with the same needle showed of its response."""
    needle = memory.gun.needle
    return [
        learn_response(list(other.needle_points), needle, other.setting())
        for other in others
        if other is not memory and other.gun.needle == needle
    ]


def wants_advice(check: Check, setup: Setup, balance: Balance | None) -> bool:
    """Whether a check calls for an advice: off by a third of the tolerance, not passed, or off balance."""
    off = abs(check.deviation_pct or 0.0) > THIRD * setup.tolerance_pct
    return off or check.verdict != "pass" or is_off(balance, check.gun)


def is_off(balance: Balance | None, gun: str) -> bool:
    """Whether this gun is the one that spoils the balance."""
    return balance is not None and balance.verdict != "pass" and balance.off == gun


IF_CLEAN = (
    "If it is clean and the flow stays low, tell how the knob stands (needle_set): turned and not told, it "
    "looks the same"
)
"""The way out where the tip was not it: nothing else that can be told makes the advice another one."""


def _mend_first(check: Check, wear: Wear | None, mend: MendFirst | None) -> str | None:
    """Why turning the needle would only hide what must be mended."""
    deviation = check.deviation_pct or 0.0
    if wear is not None and wear.change_pct is not None:
        if wear.pattern == "plugging" and deviation < 0:
            return f"do not open the needle against a plugged tip, clean it first: {wear.reason}. {IF_CLEAN}"
        if wear.pattern == "step" and deviation > 0:
            return f"do not close the needle over a damaged tip, look at it first: {wear.reason}"
        if wear.pattern == "drift" and wear.change_pct >= wear.limit_pct:
            return f"worn beyond the limit, replace nozzle and needle: {wear.reason}"
    if mend is not None and mend.together >= SURE:
        return (
            f"do not turn the needle, first {mend.what}: the likeliest cause is {mend.code} "
            f"({100 * mend.weight:.0f} %)"
        )
    return None


def _first(mend: MendFirst | None) -> str:
    """What to do before the needle is turned, and why, where it is turned all the same."""
    if mend is None or mend.weight < DOUBTFUL:
        return ""
    return f"{mend.what}, for {mend.code} is {100 * mend.weight:.0f} % likely"


def _remark(wear: Wear | None) -> str:
    """What to bear in mind where the needle is turned."""
    if wear is None or wear.pattern != "drift":
        return ""
    return (
        f"the needle makes up for wear only until the limit of {wear.limit_pct:g} %, then nozzle and needle "
        "are to be replaced"
    )
