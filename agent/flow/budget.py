"""The uncertainty budget of a flow, in the terms of JCGM 100:2008 (GUM)."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from agent.contract.records import BudgetLine


@dataclass(frozen=True, slots=True)
class Combined:
    """Combined standard uncertainty, its degrees of freedom, and how far the 95 % interval reaches."""

    u: float
    dof: float | None
    """Effective, by Welch and Satterthwaite; None stands for infinitely many."""
    below: float
    above: float

    @property
    def expanded(self) -> float:
        """Half the width of the 95 % interval."""
        return 0.5 * (self.below + self.above)


def line(source: str, u: float, kind: str, note: str, dof: float | None = None) -> BudgetLine:
    """One contribution, already times its sensitivity, in g/min. What is not finite counts as nothing."""
    u = abs(u) if math.isfinite(u) else 0.0
    return BudgetLine(source=source, u_g_per_min=u, dof=dof, kind="A" if kind == "A" else "B", note=note)


def welch_satterthwaite(parts: tuple[tuple[float, float | None], ...]) -> float | None:
    """Effective degrees of freedom of the root sum of squares of (u, dof) parts (JCGM 100, G.4.1).

    A dof of None is infinite. None is returned where they come out infinite.
    """
    total = sum(u**2 for u, _ in parts)
    lower = sum(u**4 / dof for u, dof in parts if dof is not None and dof > 0)
    return total**2 / lower if lower > 0 else None


def coverage_factor(dof: float | None, level: float = 0.95) -> float:
    """Student's t for a two-sided interval (JCGM 100, G.3); the normal quantile for infinite dof.

    Fractional degrees of freedom are used as they are (JCGM 100, G.4.1, note 1 allows interpolation).
    """
    from scipy.special import ndtri, stdtrit

    upper = 0.5 + 0.5 * level
    return float(ndtri(upper)) if dof is None else float(stdtrit(max(dof, 1.0), upper))


def combined(
    lines: tuple[BudgetLine, ...], reaches: Mapping[str, tuple[float, float]] | None = None
) -> Combined:
    """All contributions together; they are independent by construction.

    `reaches` say how far the 95 % interval of a source that is far from normal reaches below and above, g/min
    (JCGM 101): they join the expanded uncertainty of the others by the root sum of squares.
    """
    u = math.sqrt(sum(each.u_g_per_min**2 for each in lines))
    dof = welch_satterthwaite(tuple((each.u_g_per_min, each.dof) for each in lines))
    apart = reaches or {}
    normal = coverage_factor(dof) * math.sqrt(
        sum(each.u_g_per_min**2 for each in lines if each.source not in apart)
    )
    below, above = (math.hypot(normal, *(reach[side] for reach in apart.values())) for side in (0, 1))
    return Combined(u, dof, below, above)
