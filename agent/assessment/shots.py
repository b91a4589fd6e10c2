"""A dispense as a shot of a check: its flow, and what of its uncertainty differs from shot to shot."""

from __future__ import annotations

import math
from dataclasses import dataclass

from agent.contract.records import Dispense

DIFFERS = frozenset({"readings", "rounding"})
"""Sources of a budget that differ from shot to shot: each weighs other levels, which are rounded anew."""
OF_THE_SCALE = frozenset({"calibration", "scale", "buoyancy", "density"})
"""Sources that change all flows on a scale alike, so that a comparison of guns is free of them: a scale's
error curve is smooth over the few shots of a morning (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class ShotValue:
    """One shot as a check sees it."""

    id: str
    at_s: float
    flow: float | None
    """g/min; None where it could not be computed."""
    u_random: float | None = None
    """Standard uncertainty from what differs from shot to shot (readings, rounding), g/min."""
    u_common: float = 0.0
    """Standard uncertainty from what all shots of a check share (evaporation, timing, calibration), g/min."""
    u_scale: float = 0.0
    """The part of `u_common` that all guns on the scale share (calibration, air, density), g/min."""
    rejected: str | None = None
    """Why the shot never enters a check, where that is so."""


def why_no_flow(dispense: Dispense) -> str | None:
    """Why a dispense has no flow that may enter a check, in words; None where it has one."""
    if dispense.quality == "rejected":
        return dispense.why_rejected or f"rejected: {', '.join(dispense.flags) or 'no reason given'}"
    if dispense.flow_g_per_min is None or dispense.open_s is None:
        return "its flow could not be computed"
    return None


def shot_value(dispense: Dispense, at_s: float) -> ShotValue:
    """A dispense as a shot of a check: its budget split in what differs from shot to shot and what does not.

    Readings scatter and are rounded anew in each shot. All else is taken as shared by the shots of a check,
    which can only make the mean's uncertainty larger: evaporation too, for their container has one lid, and
    its rate is judged with one prior. With no budget the whole uncertainty is shared.
    """
    u = dispense.u_flow_g_per_min or 0.0
    random = min(_of(dispense, DIFFERS), u)
    common = math.sqrt(max(0.0, u**2 - random**2))
    return ShotValue(
        dispense.id,
        at_s,
        dispense.flow_g_per_min,
        u_random=random or None,
        u_common=common,
        u_scale=min(_of(dispense, OF_THE_SCALE), common),
        rejected=why_no_flow(dispense),
    )


def _of(dispense: Dispense, sources: frozenset[str]) -> float:
    return math.sqrt(math.fsum(line.u_g_per_min**2 for line in dispense.budget if line.source in sources))
