"""Rows of a paper history as the records and events they stand for.

What a technician had: a container, a scale and a stopwatch. The uncertainty of a mean is that of its shots
(the gun's repeatability, or the shots' own scatter where that is larger, over the root of their number) and
that of the stopwatch, which is in the same hand for every shot and does not average out (JCGM 100:2008, 4.2.3
and 5.1.2).
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterable
from dataclasses import dataclass

from agent.assessment.conformity import judge
from agent.assessment.intervals import t_quantile
from agent.assessment.pressure import to_setpoint
from agent.commands.paper_rows import PaperRow
from agent.contract.inputs import ControllerEvent
from agent.contract.plan import Gun, Setup
from agent.contract.records import Check, ShotUsed, record_id
from agent.contract.times import rfc3339

HAND_TIMING_S = 0.15
"""Standard uncertainty of a time taken by hand, start and stop (common practice, no source)."""
U_POT_REL = 0.01
"""Relative standard uncertainty of a gauge read by eye (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Imported:
    """What a file stands for, oldest first."""

    checks: tuple[Check, ...]
    parts: tuple[ControllerEvent, ...]


def imported(rows: Iterable[PaperRow]) -> Imported:
    """The checks and changed parts of a paper's rows, which are in the order of time."""
    checks: list[Check] = []
    parts: list[ControllerEvent] = []
    since: dict[tuple[str, str], str] = {}
    for row in rows:
        gun = (row.cell.name, row.gun)
        if row.part is not None:
            event = _part_event(row)
            parts.append(event)
            since[gun] = rfc3339(event.t_s)
        if row.setup is not None and row.mean is not None:
            checks.append(_check(row, row.setup, row.mean, since.get(gun)))
    return Imported(tuple(checks), tuple(parts))


def _part_event(row: PaperRow) -> ControllerEvent:
    name = record_id("part", row.cell.name, row.gun, row.part, rfc3339(row.at_s))
    # Just before the check that was made with it.
    at_s = row.at_s - 1.0
    return ControllerEvent(
        cell=row.cell.name,
        event="part_changed",
        t_s=at_s,
        arrived_s=at_s,
        event_id=f"imported-{name}",
        gun=row.gun,
        part=row.part,
        reason="imported from a paper history",
    )


def _check(row: PaperRow, setup: Setup, mean: float, parts_since: str | None) -> Check:
    gun = row.cell.gun(row.gun)
    at = rfc3339(row.at_s)
    u, dof, sd = _uncertainty(row, gun, setup, mean)
    flow, u_flow, note = mean, u, ""
    if row.pot_bar is not None and setup.pot_pressure_bar is not None:
        brought = to_setpoint(
            mean,
            u,
            row.pot_bar,
            U_POT_REL * row.pot_bar,
            setup.pot_pressure_bar,
            exponent=gun.pressure_exponent,
            u_exponent=gun.u_pressure_exponent,
        )
        if brought.flow is not None and brought.u is not None:
            flow, u_flow = brought.flow, brought.u
        note = f"; {brought.reason}"
    judged = judge(flow, u_flow, dof, setup.target_g_per_min, setup.tolerance_pct, risk=setup.risk)
    half = t_quantile(0.975, dof) * u
    check_id = record_id(
        "check",
        "imported",
        *(row.cell.name, row.gun, setup.name, at, row.shots, mean, row.n),
        *(row.setting, row.pot_bar, row.fluid_c, row.u_pct),
    )
    return Check(
        id=check_id,
        cell=row.cell.name,
        at=at,
        gun=row.gun,
        setup=setup.name,
        fluid=setup.fluid,
        started_at=at,
        ended_at=at,
        shots=tuple(
            ShotUsed(
                id=record_id("shot", check_id, number),
                started_at=at,
                flow_g_per_min=shot,
                u_flow_g_per_min=None,
            )
            for number, shot in enumerate(row.shots, 1)
        ),
        left_out=(),
        mean_g_per_min=mean,
        sd_g_per_min=sd,
        repeatability_pct=None if sd is None else 100.0 * sd / mean,
        u_g_per_min=u,
        dof=dof,
        low_g_per_min=mean - half,
        high_g_per_min=mean + half,
        pot_pressure_bar=row.pot_bar,
        at_setpoint_g_per_min=flow,
        u_at_setpoint_g_per_min=u_flow,
        target_g_per_min=setup.target_g_per_min,
        tolerance_pct=setup.tolerance_pct,
        deviation_pct=judged.deviation_pct,
        u_deviation_pct=judged.u_deviation_pct,
        conformance_probability=judged.conformance_probability,
        verdict=judged.verdict,
        reason=f"from a paper history: {judged.reason}{note}",
        fluid_c=row.fluid_c,
        needle_setting=row.setting,
        parts_since=parts_since,
        source="imported",
    )


def _uncertainty(
    row: PaperRow, gun: Gun, setup: Setup, mean: float
) -> tuple[float, float | None, float | None]:
    """(standard uncertainty of the mean, its degrees of freedom, standard deviation of the shots)."""
    sd = statistics.stdev(row.shots) if len(row.shots) > 1 else None
    if row.u_pct is not None:
        return row.u_pct / 100.0 * mean, None, sd
    known = gun.repeatability_pct / 100.0 * mean
    scatter = max(known, sd or 0.0) / math.sqrt(max(row.n, 1))
    timing = HAND_TIMING_S / setup.shot_s * mean
    return math.hypot(scatter, timing), None, sd
