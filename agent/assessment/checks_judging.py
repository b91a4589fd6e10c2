"""From the shots of a group to a check record: repeatability, mean, pot pressure, conformity."""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterable
from dataclasses import dataclass

from agent.assessment.checks import EXTRA_SHOTS, Group, why_unusable
from agent.assessment.conformity import Conformity, judge
from agent.assessment.intervals import Contribution, combined
from agent.assessment.memory import GunMemory
from agent.assessment.pressure import to_setpoint
from agent.assessment.repeatability import ShotsJudged, few_shots, judge_shots
from agent.assessment.shots import shot_value
from agent.contract.plan import Setup
from agent.contract.records import Check, Dispense, ShotLeftOut, ShotUsed, Verdict, record_id
from agent.contract.times import epoch_s, rfc3339

U_PRESSURE_REL = 0.002
"""Relative standard uncertainty of a pot's pressure against its setpoint: what the gauge cannot resolve. Its
calibration does not count, because the setup was developed with the same gauge."""


@dataclass(frozen=True, slots=True)
class Judged:
    """The shots of a group judged together."""

    shots: ShotsJudged
    other: tuple[tuple[Dispense, str], ...]
    """Dispenses that were no shots of this setup, and why."""

    def more(self, setup: Setup) -> int:
        """How many more shots would help: two where the shots disagree, else what is missing."""
        if not self.shots.wants_more:
            return 0
        return EXTRA_SHOTS if self.shots.too_wide else min(EXTRA_SHOTS, setup.shots - len(self.shots.used))


@dataclass(frozen=True, slots=True)
class _AtSetpoint:
    flow: float | None
    u: float | None
    dof: float | None
    reason: str
    alone: Contribution | None = None
    """The uncertainty without what all shots on the scale share."""


def judge_group(group: Group, memory: GunMemory) -> Judged:
    """Judge the shots of a group against the gun's own repeatability."""
    values, other = [], []
    for dispense in group.shots:
        why = why_unusable(dispense, group.setup)
        if why is not None:
            other.append((dispense, why))
        else:
            values.append(shot_value(dispense, epoch_s(dispense.started_at)))
    judged = judge_shots(values, memory.repeatability, asked=group.setup.shots, extra=EXTRA_SHOTS)
    return Judged(judged, tuple(other))


def check_record(cell: str, group: Group, judged: Judged, memory: GunMemory, at_s: float) -> Check:
    """The check that a group's shots make, as they stand at `at_s`."""
    setup, shots = group.setup, judged.shots
    dispenses = {shot.id: shot for shot in group.shots}
    used = [dispenses[value.id] for value in shots.used]
    began_s = min((epoch_s(shot.started_at) for shot in used), default=group.began_s)
    ended_s = max((epoch_s(shot.ended_at) for shot in used), default=at_s)
    pot_bar = mean_of(shot.pot_pressure_bar for shot in used)
    brought = _brought(shots, used, pot_bar, setup, memory)
    conformity = _conformity(brought, shots, setup)
    verdict, reason = _verdict(shots, brought, conformity, setup, judged)
    parts_s = memory.parts_since(began_s)
    mean, sd = shots.mean, shots.sd
    return Check(
        id=record_id(
            "check", cell, group.gun, setup.name, *[shot.id for shot in group.shots], *_named(group)
        ),
        cell=cell,
        at=rfc3339(at_s),
        gun=group.gun,
        setup=setup.name,
        fluid=setup.fluid,
        started_at=rfc3339(began_s),
        ended_at=rfc3339(ended_s),
        shots=tuple(_used(shot) for shot in used),
        left_out=(
            *[ShotLeftOut(id=shot.id, why=why) for shot, why in judged.other],
            *[ShotLeftOut(id=value.id, why=why) for value, why in shots.left_out],
        ),
        mean_g_per_min=mean,
        sd_g_per_min=sd,
        repeatability_pct=100 * sd / mean if sd is not None and mean else None,
        u_g_per_min=shots.u,
        dof=shots.dof,
        low_g_per_min=shots.low,
        high_g_per_min=shots.high,
        pot_pressure_bar=pot_bar,
        at_setpoint_g_per_min=brought.flow,
        u_at_setpoint_g_per_min=brought.u,
        u_alone_g_per_min=None if brought.alone is None else brought.alone.u,
        dof_alone=None if brought.alone is None else brought.alone.dof,
        target_g_per_min=setup.target_g_per_min,
        tolerance_pct=setup.tolerance_pct,
        deviation_pct=None if conformity is None else conformity.deviation_pct,
        u_deviation_pct=None if conformity is None else conformity.u_deviation_pct,
        conformance_probability=None
        if conformity is None or shots.too_wide
        else conformity.conformance_probability,
        verdict=verdict,
        reason=reason,
        flow_ml_per_min=mean_of(shot.flow_ml_per_min for shot in used),
        fluid_c=mean_of(shot.fluid_c for shot in used),
        needle_setting=memory.setting(began_s),
        parts_since=None if parts_s is None else rfc3339(parts_s),
        sprayed_g=memory.grams if parts_s == memory.parts_since() else None,
    )


def open_error(shots: Iterable[Dispense]) -> tuple[float, float] | None:
    """What opening and closing cost each shot, s (negative is flow lost), and its standard uncertainty.

    A shot's mass over its steady flow is the time it would have taken without losses; less the open time.
    Where no shot has a steady flow with its uncertainty, what shots of different length taught before them
    (ISO 4185); None where that is not known either.
    """
    errors, variances = [], []
    learned: tuple[float, float] | None = None
    for shot in shots:
        if shot.open_error_s is not None and shot.u_open_error_s is not None:
            learned = shot.open_error_s, shot.u_open_error_s
        flow, steady, open_s = shot.flow_g_per_min, shot.steady_flow_g_per_min, shot.open_s
        u_flow, u_steady = shot.u_flow_g_per_min, shot.u_steady_flow_g_per_min
        if flow and steady and open_s and u_flow is not None and u_steady is not None:
            errors.append(open_s * (flow / steady - 1))
            variances.append(
                (open_s * flow / steady) ** 2 * ((u_flow / flow) ** 2 + (u_steady / steady) ** 2)
            )
    if not errors:
        return learned
    return statistics.fmean(errors), math.sqrt(math.fsum(variances)) / len(errors)


def mean_of(values: Iterable[float | None]) -> float | None:
    """The mean of the values that are known; None where none is."""
    known = [value for value in values if value is not None]
    return statistics.fmean(known) if known else None


def _brought(
    shots: ShotsJudged, used: list[Dispense], pot_bar: float | None, setup: Setup, memory: GunMemory
) -> _AtSetpoint:
    if shots.mean is None or shots.u is None:
        return _AtSetpoint(None, None, None, "")
    if pot_bar is None or setup.pot_pressure_bar is None:
        return _AtSetpoint(shots.mean, shots.u, shots.dof, "", shots.alone)
    pressures = [shot.pot_pressure_bar for shot in used if shot.pot_pressure_bar is not None]
    scatter = statistics.stdev(pressures) / math.sqrt(len(pressures)) if len(pressures) > 1 else 0.0
    exponent = memory.exponent()
    corrected = to_setpoint(
        shots.mean,
        shots.u,
        pot_bar,
        math.hypot(scatter, U_PRESSURE_REL * pot_bar),
        setup.pot_pressure_bar,
        exponent=exponent.value,
        u_exponent=exponent.u,
    )
    if corrected.flow is None or corrected.u is None or corrected.factor is None:
        return _AtSetpoint(None, None, None, corrected.reason)
    own = Contribution(shots.u * corrected.factor, shots.dof)
    rest = Contribution(math.sqrt(max(corrected.u**2 - own.u**2, 0.0)))
    u, dof = combined([own, rest])
    alone = shots.alone
    if alone is not None:
        alone = Contribution(*combined([Contribution(alone.u * corrected.factor, alone.dof), rest]))
    return _AtSetpoint(corrected.flow, u, dof, corrected.reason, alone)


def _conformity(brought: _AtSetpoint, shots: ShotsJudged, setup: Setup) -> Conformity | None:
    if brought.flow is None or brought.u is None or len(shots.used) < setup.shots:
        return None
    return judge(
        brought.flow,
        brought.u,
        brought.dof,
        setup.target_g_per_min,
        setup.tolerance_pct,
        risk=setup.risk,
    )


def _verdict(
    shots: ShotsJudged, brought: _AtSetpoint, conformity: Conformity | None, setup: Setup, judged: Judged
) -> tuple[Verdict, str]:
    if len(shots.used) < setup.shots:
        few = few_shots(len(shots.used), setup.shots)
        why = [why for _, why in judged.other] + [why for _, why in shots.left_out]
        return "inconclusive", few + (f" ({why[0]})" if why else "")
    if shots.too_wide:
        return "inconclusive", shots.reason
    if conformity is None:
        return "inconclusive", brought.reason or "the flow has no uncertainty and cannot be judged"
    return conformity.verdict, conformity.reason


def _used(shot: Dispense) -> ShotUsed:
    return ShotUsed(
        id=shot.id,
        started_at=shot.started_at,
        flow_g_per_min=shot.flow_g_per_min or 0.0,
        u_flow_g_per_min=shot.u_flow_g_per_min,
    )


def _named(group: Group) -> list[str]:
    """What a check without any shot is told apart by."""
    return [] if group.shots else [*sorted(group.check_ids), rfc3339(group.began_s)]
