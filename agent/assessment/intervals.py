"""Student's t and the Welch-Satterthwaite formula, with None for infinitely many degrees of freedom."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Contribution:
    """One contribution to a standard uncertainty, in the unit of the result."""

    u: float
    dof: float | None = None
    """Degrees of freedom; None stands for infinitely many."""


def t_probability(t: float, dof: float | None) -> float:
    """P(T <= t) of Student's t (of the normal distribution for `dof` None)."""
    from scipy.special import ndtr, stdtr

    return float(ndtr(t)) if dof is None else float(stdtr(dof, t))


def t_quantile(probability: float, dof: float | None) -> float:
    """The t with P(T <= t) = `probability`; JCGM 100:2008 table G.2 for two-sided intervals."""
    from scipy.special import ndtri, stdtrit

    return float(ndtri(probability)) if dof is None else float(stdtrit(dof, probability))


def coverage_factor(dof: float | None, level: float = 0.95) -> float:
    """The k of a two-sided interval y +- k u at `level` (JCGM 100:2008, G.3.3)."""
    return t_quantile(0.5 + level / 2, dof)


def combined(contributions: Iterable[Contribution]) -> tuple[float, float | None]:
    """The combined standard uncertainty and its effective degrees of freedom.

    JCGM 100:2008 equations (10) and (G.2b), the Welch-Satterthwaite formula, for contributions that
    do not depend on each other. The degrees of freedom are not truncated: Student's t takes fractions.
    """
    parts = [part for part in contributions if part.u > 0]
    variance = math.fsum(part.u**2 for part in parts)
    loose = math.fsum(part.u**4 / part.dof for part in parts if part.dof is not None)
    return math.sqrt(variance), (variance**2 / loose if loose > 0 else None)
