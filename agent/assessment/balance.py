"""Whether the guns of a cell deliver the same flow.

Equal flow is something to be shown, not to be assumed until disproved: so this is an equivalence test, two
one-sided tests (TOST; Schuirmann 1987) of the largest difference against the limit. For more than two guns
every pair must be equivalent, and the pair furthest apart decides (intersection-union principle).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from agent.assessment.intervals import Contribution, combined, t_probability
from agent.contract.records import Verdict


@dataclass(frozen=True, slots=True)
class GunMean:
    """A gun's flow for the setup, brought to its pot pressure."""

    gun: str
    check_id: str
    mean: float
    """g/min."""
    u: float
    """Standard uncertainty, without what all the guns share (one scale's calibration, one fluid), g/min."""
    dof: float | None


@dataclass(frozen=True, slots=True)
class BalanceJudged:
    """How far the guns differ."""

    from_mean_pct: tuple[tuple[str, float], ...]
    """(gun, its flow from the mean of all guns, percent)."""
    spread_pct: float | None
    """Largest less smallest, over their mean, percent."""
    u_spread_pct: float | None
    equivalence_p: float | None
    """p-value of the equivalence test: small means the guns are shown to be equal within the limit."""
    verdict: Verdict
    off: str | None
    """The gun furthest from the others, where it can be told from them."""
    off_by_pct: float | None
    """By how much, percent of the others' mean."""
    reason: str


def judge_balance(
    guns: Sequence[GunMean], limit_pct: float, risk: float = 0.05, target: float | None = None
) -> BalanceJudged:
    """Judges the spread of two or more guns against `limit_pct` of their mean.

    `pass` where equivalence within the limit is shown at level `risk`, `fail` where the spread is shown to
    exceed it, else `inconclusive`. Of two guns the one further from `target` (g/min) counts as off.
    """
    # No gun gives less than nothing: of a plugged one noise alone decides whether its mean is above zero.
    guns = [replace(gun, mean=max(gun.mean, 0.0)) for gun in guns]
    if len(guns) < 2 or all(gun.mean == 0 for gun in guns):
        return BalanceJudged(
            (), None, None, None, "inconclusive", None, None, "a balance needs the flows of two guns at least"
        )
    mean = math.fsum(gun.mean for gun in guns) / len(guns)
    low, high = min(guns, key=lambda gun: gun.mean), max(guns, key=lambda gun: gun.mean)
    spread = high.mean - low.mean
    u, dof = combined([Contribution(low.u, low.dof), Contribution(high.u, high.dof)])
    limit = mean * limit_pct / 100
    p_equal = equivalence_p(spread, u, dof, limit)
    pairs = len(guns) * (len(guns) - 1) // 2
    p_beyond = pairs * _beyond_p(spread, u, dof, limit)
    verdict: Verdict = "pass" if p_equal <= risk else "fail" if p_beyond <= risk else "inconclusive"
    off, off_by_pct = _off(guns, target)
    told_apart = verdict == "fail" or spread > 2 * u
    return BalanceJudged(
        tuple((gun.gun, 100 * (gun.mean / mean - 1)) for gun in guns),
        100 * spread / mean,
        100 * u / mean,
        p_equal,
        verdict,
        off.gun if told_apart else None,
        off_by_pct if told_apart else None,
        _reason(verdict, 100 * spread / mean, 100 * u / mean, limit_pct, off=off.gun, off_by_pct=off_by_pct),
    )


def equivalence_p(difference: float, u: float, dof: float | None, limit: float) -> float:
    """p-value of TOST: the larger of the two one-sided tests of -limit < true difference < limit."""
    if u == 0:
        return 0.0 if abs(difference) < limit else 1.0
    above_low = t_probability(-(difference + limit) / u, dof)
    below_high = t_probability((difference - limit) / u, dof)
    return max(above_low, below_high)


def _beyond_p(spread: float, u: float, dof: float | None, limit: float) -> float:
    if u == 0:
        return 0.0 if spread > limit else 1.0
    return t_probability((limit - spread) / u, dof)


def _off(guns: Sequence[GunMean], target: float | None) -> tuple[GunMean, float]:
    """The gun furthest from the mean of the others, and by how many percent."""

    def from_others_pct(gun: GunMean) -> float:
        others = math.fsum(other.mean for other in guns if other is not gun) / (len(guns) - 1)
        # Where all others give nothing, they are off and not this one.
        return 100 * (gun.mean / others - 1) if others > 0 else 0.0

    if len(guns) == 2 and target is not None:
        off = max(guns, key=lambda gun: abs(gun.mean - target))
    else:
        off = max(guns, key=lambda gun: abs(from_others_pct(gun)))
    return off, from_others_pct(off)


def _reason(
    verdict: Verdict, spread_pct: float, u_pct: float, limit_pct: float, *, off: str, off_by_pct: float
) -> str:
    numbers = f"the guns differ by {spread_pct:.1f} % (uncertainty {u_pct:.2f} %), {limit_pct:g} % allowed"
    if verdict == "pass":
        return f"balanced: {numbers}"
    side = "more" if off_by_pct > 0 else "less"
    # Film thickness follows flow in proportion at equal speed, distance and transfer efficiency
    # (common practice, no source).
    part = f"what gun {off} coats gets {abs(off_by_pct):.1f} % {side} film than what the others coat"
    if verdict == "fail":
        return f"out of balance: {numbers}; {part}"
    return f"too near the limit to say: {numbers}; {part}"
