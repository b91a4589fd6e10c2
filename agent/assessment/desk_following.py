"""What follows from a check: balance, wear, causes. Each a record, from what is remembered."""

from __future__ import annotations

import math
import statistics
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from agent.assessment.advice_response import BACKLASH_STEPS, learn_response
from agent.assessment.balance import GunMean, judge_balance
from agent.assessment.causes import CellEvidence, GunEvidence, rank_causes
from agent.assessment.desk_conditions import Around
from agent.assessment.intervals import Contribution
from agent.assessment.memory import GunMemory, alone_of
from agent.assessment.release import is_valid
from agent.assessment.wear import judge_wear
from agent.contract.plan import Setup
from agent.contract.records import (
    Balance,
    BalanceGun,
    Cause,
    Check,
    RankedCause,
    Wear,
    WearDue,
    record_id,
)
from agent.contract.times import epoch_s, rfc3339

STEADY_S = 600.0
ALL_WELL = "flow-right"
"""The cause that says: nothing is wrong with the flow."""


def balance_record(cell: str, setup: Setup, guns: Sequence[GunMemory], now_s: float) -> Balance | None:
    """How far the guns differ, once all of them have a valid check of the setup; None before."""
    means, checks = [], []
    one_scale = len({memory.gun.scale for memory in guns}) == 1
    for memory in guns:
        check = memory.last.get(setup.name)
        if check is None or not is_valid(memory, setup, now_s):
            return None
        flow, u = check.at_setpoint_g_per_min, check.u_at_setpoint_g_per_min
        if flow is None or u is None:
            return None
        own = alone_of(check) if one_scale else Contribution(u, check.dof)
        means.append(GunMean(memory.gun.name, check.id, flow, own.u, own.dof))
        checks.append(check)
    if len(means) < 2:
        return None
    judged = judge_balance(means, setup.balance_pct, setup.risk, setup.target_g_per_min)
    from_mean = dict(judged.from_mean_pct)
    return Balance(
        id=record_id("balance", cell, setup.name, *[mean.check_id for mean in means]),
        cell=cell,
        at=max((check.at for check in checks), key=epoch_s),
        setup=setup.name,
        guns=tuple(
            BalanceGun(
                gun=mean.gun,
                check_id=mean.check_id,
                mean_g_per_min=mean.mean,
                from_mean_pct=from_mean.get(mean.gun, 0.0),
            )
            for mean in means
        ),
        spread_pct=judged.spread_pct,
        u_spread_pct=judged.u_spread_pct,
        limit_pct=setup.balance_pct,
        verdict=judged.verdict,
        off=judged.off,
        off_by_pct=judged.off_by_pct,
        reason=judged.reason,
    )


def wear_record(cell: str, memory: GunMemory, after: str, at: str) -> Wear:
    """The gun's wear at a time (RFC 3339), after a check or a change of parts, whose id `after` is."""
    judged = judge_wear(memory.wear_points, memory.gun.wear_limit_pct)
    since_s = memory.parts_since() or judged.since_s
    due = None
    if judged.due is not None:
        due_at, earliest_at = rfc3339(judged.due.at_s), rfc3339(judged.due.earliest_s)
        latest_at = None if judged.due.latest_s is None else rfc3339(judged.due.latest_s)
        due = WearDue(
            date=due_at[:10],
            earliest=earliest_at[:10],
            latest=None if latest_at is None else latest_at[:10],
            at=due_at,
            earliest_at=earliest_at,
            latest_at=latest_at,
        )
    return Wear(
        id=record_id("wear", cell, memory.gun.name, after),
        cell=cell,
        at=at,
        gun=memory.gun.name,
        part=memory.parts[-1][1] if memory.parts else "nozzle",
        since=None if since_s is None else rfc3339(since_s),
        checks=judged.checks,
        change_pct=judged.change_pct,
        change_low_pct=judged.change_low_pct,
        change_high_pct=judged.change_high_pct,
        pattern=judged.pattern,
        limit_pct=judged.limit_pct,
        due=due,
        due_g=judged.due_g,
        reason=judged.reason,
    )


@dataclass(frozen=True, slots=True)
class Known:
    """What is known of a cell beside its guns' own memories."""

    around: Around
    balance: Balance | None
    wears: Mapping[str, Wear]
    """By gun: its latest wear."""
    flags: Mapping[str, Sequence[tuple[str, ...]]]
    """By gun: the flags of each shot of its latest check, those left out with them."""
    open_errors: Mapping[str, tuple[float, float]]
    """By gun: what opening and closing cost a shot, seconds (negative is flow lost), with its uncertainty."""


def cause_record(
    cell: str, check: Check, setup: Setup, guns: Sequence[GunMemory], known: Known
) -> Cause | None:
    """What is probably behind it, after a check; None where nothing can be said."""
    evidence = _evidence(setup, guns, known)
    ranked = rank_causes(evidence)
    if any(gun.verdict != "pass" for gun in evidence.guns):
        # A gun that was not seen right is no evidence that the flow is right, however little else is known.
        ranked = tuple(one for one in ranked if one.code != ALL_WELL)
    return _cause(cell, check, setup, ranked) if ranked else None


def no_cause(cell: str, check: Check, setup: Setup) -> Cause:
    """Takes back the causes told before: after this check nothing speaks for any of them."""
    return _cause(cell, check, setup, ())


def _cause(cell: str, check: Check, setup: Setup, ranked: tuple[RankedCause, ...]) -> Cause:
    return Cause(
        id=record_id("cause", cell, check.id, *[f"{one.code} {one.weight:.6f}" for one in ranked]),
        cell=cell,
        at=check.at,
        setup=setup.name,
        ranked=ranked,
    )


def _evidence(setup: Setup, guns: Sequence[GunMemory], known: Known) -> CellEvidence:
    around = known.around
    recent = around.pressure_over(STEADY_S)
    bars = [bar for _, bar in recent]
    checks = [memory.last[setup.name] for memory in guns if setup.name in memory.last]
    flows = [check.mean_g_per_min for check in checks if check.mean_g_per_min is not None]
    slopes = [around.idle_slopes[name] for name in {m.gun.scale for m in guns} if name in around.idle_slopes]
    measured = [check.pot_pressure_bar for check in checks if check.pot_pressure_bar is not None]
    return CellEvidence(
        guns=tuple(_gun_evidence(memory, setup, known) for memory in guns),
        spread_pct=known.balance.spread_pct if known.balance else None,
        balance_pct=setup.balance_pct,
        pressure_bar=statistics.fmean(measured) if measured else around.pressure_bar(),
        pressure_setpoint_bar=setup.pot_pressure_bar,
        pressure_sd_bar=statistics.stdev(bars) if len(bars) > 4 else None,
        pressure_slope_bar_per_h=_slope_per_h(recent),
        idle_slope_g_per_s=max(slopes)[0] if slopes else None,
        u_idle_slope_g_per_s=max(slopes)[1] if slopes else None,
        usual_flow_g_per_s=statistics.fmean(flows) / 60 if flows else None,
        fluid_c=around.fluid_c,
        usual_fluid_c=around.usual_c(),
    )


def _gun_evidence(memory: GunMemory, setup: Setup, known: Known) -> GunEvidence:
    gun = memory.gun.name
    wear, shots = known.wears.get(gun), known.flags.get(gun, ())
    check, passed = memory.last.get(setup.name), memory.passed.get(setup.name)
    setting, before = memory.setting(), passed.needle_setting if passed else None
    changed = None if passed is None else memory.part_changed_since(passed) is not None
    moved = beyond = None
    if setting is not None and before is not None:
        moved = (setting - before) / memory.gun.needle.smallest_step
        beyond = _beyond_needle(memory, passed, check, setting - before)
    open_error = known.open_errors.get(gun)
    return GunEvidence(
        gun=gun,
        deviation_pct=check.deviation_pct if check else None,
        u_deviation_pct=check.u_deviation_pct if check else None,
        shots=len(shots),
        flags=Counter(flag for shot in shots for flag in shot),
        repeatability_pct=check.repeatability_pct if check else None,
        usual_repeatability_pct=100 * memory.repeatability.sd_rel,
        wear_pattern=wear.pattern if wear and wear.change_pct is not None else None,
        wear_change_pct=wear.change_pct if wear else None,
        needle_moved=moved,
        # A gun that was never seen has not failed to pass.
        passed_before=None if check is None else passed is not None and not changed,
        beyond_needle_pct=beyond[0] if beyond else None,
        u_beyond_needle_pct=beyond[1] if beyond else None,
        part_changed=changed,
        open_error_s=open_error[0] if open_error else None,
        u_open_error_s=open_error[1] if open_error else None,
        shot_s=setup.shot_s,
        verdict=check.verdict if check else None,
    )


def _beyond_needle(
    memory: GunMemory, passed: Check | None, check: Check | None, turned: float
) -> tuple[float, float] | None:
    """The change of flow from one check to another that a turn does not explain, percent, and its u."""
    if passed is None or check is None:
        return None
    before, now = passed.at_setpoint_g_per_min, check.at_setpoint_g_per_min
    if not before or not now:
        return None
    needle = memory.gun.needle
    response = learn_response(list(memory.needle_points), needle, passed.needle_setting)
    by_hand = response.mean * BACKLASH_STEPS * needle.smallest_step if turned else 0.0
    change = 100 * (now / before - 1)
    u = math.hypot(
        100 * alone_of(passed).u / before,
        100 * alone_of(check).u / before,
        response.u * turned,
        by_hand,
    )
    return change - response.mean * turned, u


def _slope_per_h(points: Sequence[tuple[float, float]]) -> float | None:
    """Slope of a straight line through the points, least squares, units per hour."""
    if len(points) < 5 or points[-1][0] - points[0][0] < 60.0:
        return None
    line = statistics.linear_regression([t for t, _ in points], [value for _, value in points])
    return 3600 * line.slope if math.isfinite(line.slope) else None
