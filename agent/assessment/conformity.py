"""Whether a flow conforms to its target, with the risk of being wrong kept small (JCGM 106:2012).

The tolerance interval is target x (1 +- tolerance). What the check says of the true flow is a scaled and
shifted Student's t about the measured value (the normal distribution where the degrees of freedom are
infinite), so the conformance probability is the part of it inside the tolerance (JCGM 106, 7.4).

Both decisions are guarded (JCGM 106, 8.3.2 and 8.3.3): `pass` only where the probability of conformity is at
least 1 - risk (the specific consumer's risk is at most the risk), `fail` only where the probability of
non-conformity is at least 1 - risk (the specific producer's risk is at most the risk). Between the two lies a
band about each tolerance limit, some 1.64 u to either side for 5 %, where the verdict is `inconclusive`: a
better measurement can decide, the present one cannot.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from agent.assessment.intervals import t_probability, t_quantile
from agent.contract.records import Verdict


@dataclass(frozen=True, slots=True)
class Conformity:
    """How a flow stands to its target. Percentages are of the target."""

    deviation_pct: float
    u_deviation_pct: float
    conformance_probability: float
    guard_pct: float
    """Width of the guard band inside each tolerance limit, percent of the target."""
    verdict: Verdict
    reason: str


def judge(
    value: float, u: float, dof: float | None, target: float, tolerance_pct: float, *, risk: float = 0.05
) -> Conformity:
    """Judges `value` +- `u` (any unit, that of `target`) against target x (1 +- `tolerance_pct` / 100).

    `dof` None stands for infinitely many, and an uncertainty of zero is taken as it is.
    Raises ValueError where target or tolerance is not above zero, the uncertainty is below zero or the risk
    is not in (0, 0.5).
    """
    _refuse_nonsense(value, u, target, tolerance_pct, risk)
    deviation_pct = 100 * (value / target - 1)
    u_pct = 100 * u / target
    probability = conformance_probability(
        value, u, dof, target * (1 - tolerance_pct / 100), target * (1 + tolerance_pct / 100)
    )
    guard_pct = t_quantile(1 - risk, dof) * u_pct
    verdict: Verdict = "inconclusive"
    if probability >= 1 - risk:
        verdict = "pass"
    elif 1 - probability >= 1 - risk:
        verdict = "fail"
    return Conformity(
        deviation_pct,
        u_pct,
        probability,
        guard_pct,
        verdict,
        _reason(verdict, deviation_pct, u_pct, tolerance_pct, guard_pct=guard_pct, pc=probability),
    )


def conformance_probability(
    value: float, u: float, dof: float | None, low: float | None, high: float | None
) -> float:
    """P(low <= Y <= high) for a Y that is known as `value` +- `u` (JCGM 106:2012, 7.4 and 7.5).

    None for a limit means that side is open. With `u` zero the answer is 0 or 1.
    """
    if u == 0:
        inside = (low is None or low <= value) and (high is None or value <= high)
        return 1.0 if inside else 0.0
    above = 0.0 if high is None else t_probability(-(high - value) / u, dof)
    below = 0.0 if low is None else t_probability((low - value) / u, dof)
    return max(0.0, 1.0 - above - below)


def _reason(
    verdict: Verdict, deviation_pct: float, u_pct: float, tolerance_pct: float, *, guard_pct: float, pc: float
) -> str:
    side = "above" if deviation_pct >= 0 else "below"
    where = f"{abs(deviation_pct):.1f} % {side} target, tolerance {tolerance_pct:g} %"
    if verdict == "pass":
        return f"in tolerance: {where}"
    if verdict == "fail":
        return f"out of tolerance: {where}"
    if guard_pct >= tolerance_pct:
        return f"{where}: the uncertainty ({u_pct:.2f} %) is too large for this tolerance"
    return (
        f"too near the limit to say: {where}, uncertainty {u_pct:.2f} %, "
        f"{100 * pc:.0f} % probable to be in tolerance"
    )


def _refuse_nonsense(value: float, u: float, target: float, tolerance_pct: float, risk: float) -> None:
    if not (math.isfinite(value) and math.isfinite(u) and u >= 0):
        raise ValueError(f"a value and an uncertainty of zero or more are needed, got {value!r} and {u!r}")
    if not (math.isfinite(target) and target > 0 and math.isfinite(tolerance_pct) and tolerance_pct > 0):
        raise ValueError(
            f"target and tolerance must be above zero, got {target!r} and {tolerance_pct!r} percent"
        )
    if not 0 < risk < 0.5:
        raise ValueError(f"the accepted risk must lie between 0 and 0.5, got {risk!r}")
