"""Whether a setup may run: released, or held with every reason and the way out of each.

A pure function of what is known. Reasons are told in words that do not change with every reading, so that a
release is only told anew when something changed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from agent.assessment.alarms_one import AlarmStanding
from agent.assessment.memory import GunMemory
from agent.assessment.wording import site_time
from agent.contract.plan import Setup
from agent.contract.records import Balance, Check, Reason, Release, record_id
from agent.contract.times import epoch_s, rfc3339

PRESSURE_REL = 0.03
"""A check brought to a pot pressure that differs by more than this in flow is of another setup."""


@dataclass(frozen=True, slots=True)
class Judgement:
    """A release, before it becomes a record."""

    setup: str
    state: Literal["released", "held"]
    reasons: tuple[Reason, ...]
    valid_until_s: float | None
    """When the first of the checks runs out, epoch seconds; None where the setup is held."""


def judge_release(
    setup: Setup,
    guns: Sequence[GunMemory],
    balance: Balance | None,
    holding: Sequence[AlarmStanding],
    now_s: float,
    *,
    zone: str = "UTC",
) -> Judgement:
    """Judge a setup for all guns of its cell as things stand at `now_s`.

    `holding` are the active alarms that hold a release on their own; `zone` is the site's, for the texts.
    """
    reasons: list[Reason] = []
    ends: list[float] = []
    for memory in guns:
        check = memory.last.get(setup.name)
        found = gun_reasons(memory, setup, check, now_s, zone=zone)
        reasons += found
        if check is not None:
            ends.append(valid_until_s(check, setup))
    void = {reason.code for reason in reasons}
    if len(guns) > 1 and not void & _CHECK_IS_VOID:
        reasons += _balance_reasons(balance, setup, guns)
    for alarm in holding:
        reasons.append(Reason(code="alarm", text=f"alarm {alarm.name}: {alarm.text}", remedy=_ALARM_REMEDY))
    released = not reasons
    return Judgement(
        setup.name,
        "released" if released else "held",
        tuple(reasons),
        min(ends) if released and ends else None,
    )


def unknown_setup(name: str) -> Judgement:
    """The judgement on a setup that nobody configured."""
    reason = Reason(
        code="setup_unknown",
        text=f"no setup {name} is configured",
        remedy="Add the setup to the configuration, or load one that is there.",
    )
    return Judgement(name, "held", (reason,), None)


def gun_reasons(
    memory: GunMemory,
    setup: Setup,
    check: Check | None,
    now_s: float,
    by_s: float = math.inf,
    *,
    zone: str = "UTC",
) -> list[Reason]:
    """Every reason why a gun's latest check of a setup does not let it run.

    Turns and changed parts from `by_s` on are left out of account. Times in the texts are those of `zone`.
    """
    gun = memory.gun.name
    again = f"Run the flow check of gun {gun}."
    if check is None:
        return [_no_check(memory, setup, zone)]
    reasons: list[Reason] = []

    def held(code: str, text: str, remedy: str = again) -> None:
        reasons.append(Reason(code=code, text=text, remedy=remedy, gun=gun))

    if check.fluid != setup.fluid:
        text = f"gun {gun} was checked with {check.fluid}; {setup.name} sprays {setup.fluid}"
        held("fluid_changed", text, f"Fill with {setup.fluid}, bleed, and run the flow check of gun {gun}.")
    if (turn := memory.turned_since(check, by_s)) is not None:
        to = "" if turn.setting is None else f" to {turn.setting:g}"
        when = site_time(turn.at_s, zone)
        held("needle_changed", f"the needle of gun {gun} was set{to} at {when}, after its check")
    if (change := memory.part_changed_since(check, by_s)) is not None:
        when = site_time(change[0], zone)
        held("part_changed", f"the {change[1]} of gun {gun} was changed at {when}, after its check")
    if now_s >= valid_until_s(check, setup):
        when = site_time(valid_until_s(check, setup), zone)
        held("check_expired", f"the check of gun {gun} ran out at {when}")
    if _other_target(check, setup):
        text = f"{setup.name} has another target or tolerance than gun {gun} was checked for"
        held("target_changed", text)
    if _other_pressure(check, setup, memory):
        bar = f"{setup.pot_pressure_bar:g} bar of now"
        held("pressure_changed", f"gun {gun} was checked for another pot pressure than the {bar}")
    if any(reason.code in _OTHER_GUN_NOW for reason in reasons):
        # What the check found is no longer there to be mended: the way out is the new check alone.
        return reasons
    if check.verdict == "fail":
        remedy = f"Set the needle of gun {gun} as advised, or mend what the causes name; then check it again."
        held("off_target", f"gun {gun} is {check.reason}", remedy)
    elif check.verdict == "inconclusive":
        text = f"the check of gun {gun} has no result: {check.reason}"
        held("check_inconclusive", text, f"Bleed gun {gun} and run its check again.")
    return reasons


def _no_check(memory: GunMemory, setup: Setup, zone: str) -> Reason:
    gun, begun = memory.gun.name, memory.incomplete.get(setup.name)
    if begun is None:
        text = f"gun {gun} was never checked for {setup.name}"
        return Reason(code="check_missing", text=text, remedy=f"Run the flow check of gun {gun}.", gun=gun)
    when = site_time(epoch_s(begun.started_at), zone)
    text = f"the check of gun {gun} for {setup.name} was begun at {when} and is incomplete: {begun.reason}"
    remedy = f"Run the flow check of gun {gun} again, to its end."
    return Reason(code="check_incomplete", text=text, remedy=remedy, gun=gun)


def valid_until_s(check: Check, setup: Setup) -> float:
    """When a check runs out, epoch seconds."""
    return epoch_s(check.ended_at) + 3600.0 * setup.valid_h


def next_expiry_s(setup: Setup, guns: Sequence[GunMemory], now_s: float) -> float | None:
    """When the next of the guns' checks runs out, epoch seconds; None where none is left to run out."""
    ends = [
        valid_until_s(check, setup)
        for memory in guns
        if (check := memory.last.get(setup.name)) is not None and valid_until_s(check, setup) > now_s
    ]
    return min(ends, default=None)


def is_valid(memory: GunMemory, setup: Setup, now_s: float, by_s: float = math.inf) -> bool:
    """Whether a gun's latest check of a setup still says something of the gun as it is now, good or bad."""
    check = memory.last.get(setup.name)
    if check is None:
        return False
    codes = {reason.code for reason in gun_reasons(memory, setup, check, now_s, by_s)}
    return not codes & _CHECK_IS_VOID


def release_record(cell: str, judgement: Judgement, at_s: float) -> Release:
    """The record of a judgement that differs from the one before it."""
    until = None if judgement.valid_until_s is None else rfc3339(judgement.valid_until_s)
    codes = [f"{reason.code}|{reason.text}" for reason in judgement.reasons]
    at = rfc3339(at_s)
    return Release(
        id=record_id("release", cell, judgement.setup, judgement.state, at, until, *codes),
        cell=cell,
        at=at,
        setup=judgement.setup,
        state=judgement.state,
        reasons=judgement.reasons,
        valid_until=until,
    )


_CHECK_IS_VOID = frozenset(
    {
        "check_missing",
        "check_incomplete",
        "check_expired",
        "fluid_changed",
        "needle_changed",
        "part_changed",
        "target_changed",
        "pressure_changed",
    }
)
_OTHER_GUN_NOW = _CHECK_IS_VOID - {"check_missing", "check_incomplete", "check_expired"}
"""Since the check the gun, its fluid, its pressure or its target became another."""
_ALARM_REMEDY = "Do what the alarm says; the release follows once it has returned to normal."


def _balance_reasons(balance: Balance | None, setup: Setup, guns: Sequence[GunMemory]) -> list[Reason]:
    now = {memory.last[setup.name].id for memory in guns if setup.name in memory.last}
    if balance is None or {gun.check_id for gun in balance.guns} != now:
        text = f"the balance of the guns is not known for {setup.name}"
        remedy = "Run the flow check of all guns of the cell."
        return [Reason(code="balance_missing", text=text, remedy=remedy)]
    if balance.verdict == "pass":
        return []
    off = balance.off or "named by the advice"
    if balance.verdict == "fail":
        remedy = f"Bring gun {off} to the others by its needle, then check it again."
        return [Reason(code="unbalanced", text=balance.reason, remedy=remedy, gun=balance.off)]
    remedy = "Run the flow checks again: more shots tell the guns apart better."
    return [Reason(code="balance_inconclusive", text=balance.reason, remedy=remedy)]


def _other_target(check: Check, setup: Setup) -> bool:
    return check.target_g_per_min != setup.target_g_per_min or check.tolerance_pct != setup.tolerance_pct


def _other_pressure(check: Check, setup: Setup, memory: GunMemory) -> bool:
    mean, brought, pot_bar = check.mean_g_per_min, check.at_setpoint_g_per_min, check.pot_pressure_bar
    if not (mean and brought and pot_bar and setup.pot_pressure_bar):
        return False
    expected = mean * math.pow(setup.pot_pressure_bar / pot_bar, memory.gun.pressure_exponent)
    return abs(brought / expected - 1) > PRESSURE_REL
