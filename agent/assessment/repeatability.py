"""The shots of a check: do they agree with each other, which are left out, and what is their mean worth.

Few shots say little of their own spread: the 95 % interval of a standard deviation from three runs from half
to six times its value, and Grubbs' statistic of three can never exceed 1.155. So three or four shots are held
against the critical range of ISO 5725-6, f(n) times the gun's own repeatability, which is pooled over its
history; Grubbs' test looks for outliers from five shots on.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

from agent.assessment.intervals import Contribution, combined, coverage_factor, t_quantile
from agent.assessment.shots import ShotValue
from agent.assessment.wording import counted

PRIOR_DOF = 4.0
"""What the configured repeatability counts for: the gun's own history outweighs it after three checks."""
LARGEST_DOF = 60.0
"""Older history fades beyond this: a gun that got better or worse is known again after some thirty checks."""
LARGEST_SURPRISE = 3.0
WARNING_LEVEL = 0.95
"""Level of the critical range beyond which more shots are asked for."""
ACTION_LEVEL = 0.99
"""Level beyond which a check is given up once no more may be asked for: one good check in twenty spans more
than the 95 % range by chance alone, and no check is to be lost for that."""
GRUBBS_FROM = 5
"""Grubbs' test needs so many shots to have any power worth the name."""

RANGE_FACTORS = {
    WARNING_LEVEL: (2.77181, 3.31449, 3.63316, 3.85766, 4.03009, 4.16955, 4.28631, 4.38651, 4.47412),
    ACTION_LEVEL: (3.64277, 4.12030, 4.40280, 4.60282, 4.75705, 4.88217, 4.98718, 5.07751, 5.15663),
}
"""f(2) to f(10), from scipy 1.17's studentized range: pinned, for its integration takes a second."""


@dataclass(frozen=True, slots=True)
class Repeatability:
    """Standard deviation of single shots, relative to the flow, with its degrees of freedom."""

    sd_rel: float
    dof: float = PRIOR_DOF


@dataclass(frozen=True, slots=True)
class ShotsJudged:
    """What the shots of a check say together. Flows in g/min."""

    used: tuple[ShotValue, ...]
    left_out: tuple[tuple[ShotValue, str], ...]
    mean: float | None
    sd: float | None
    """Sample standard deviation of the shots used; None for one shot."""
    u: float | None
    """Standard uncertainty of the mean."""
    dof: float | None
    """Effective degrees of freedom; None stands for infinitely many (or for no mean)."""
    alone: Contribution | None
    """The same without what all guns on the scale share: what counts where they are compared."""
    low: float | None
    high: float | None
    """95 % interval of the mean (Student's t)."""
    wants_more: bool
    """More shots would help and may still be asked for."""
    too_wide: bool
    """The shots disagree by more than their gun's repeatability explains."""
    reason: str


def judge_shots(
    flows: Sequence[ShotValue], prior: Repeatability | None, asked: int = 3, extra: int = 2
) -> ShotsJudged:
    """The shots of one check, judged and averaged.

    `asked` is how many usable shots the setup wants, `extra` how many may be shot on top to replace or
    outvote bad ones. `prior` is the gun's repeatability so far (None: nothing is known, and the shots' own
    scatter has to do). `wants_more` is True while usable shots are missing or disagree, and `extra` is not
    used up; after that `too_wide`, or the missing shots, make the check inconclusive, and `reason` says why.
    """
    left_out = [(shot, shot.rejected) for shot in flows if shot.rejected is not None] + [
        (shot, "its flow could not be computed")
        for shot in flows
        if shot.rejected is None and shot.flow is None
    ]
    usable = [shot for shot in flows if shot.rejected is None and shot.flow is not None]
    used, outlier = _without_outlier(usable)
    left_out += outlier
    may_ask = len(flows) < asked + extra
    if not used:
        return ShotsJudged(
            (), tuple(left_out), None, None, None, None, None, None, None, may_ask, False, "no usable shot"
        )
    values = [shot.flow for shot in used if shot.flow is not None]
    too_wide, width = _too_wide(values, used, prior, WARNING_LEVEL if may_ask else ACTION_LEVEL)
    missing = len(used) < asked
    mean, sd, u, dof, alone = _mean(values, used, prior)
    k = None if u is None else coverage_factor(dof)
    return ShotsJudged(
        tuple(used),
        tuple(left_out),
        mean,
        sd,
        u,
        dof,
        alone,
        None if u is None or k is None else mean - k * u,
        None if u is None or k is None else mean + k * u,
        wants_more=may_ask and (missing or too_wide),
        too_wide=too_wide,
        reason=_reason(used, asked, too_wide=too_wide, width=width),
    )


def learn(before: Repeatability, judged: ShotsJudged) -> Repeatability:
    """The gun's repeatability after one more check.

    Checks whose shots disagree are to be learned from as well, or a gun that got worse would never be known
    as such; one bad check counts for `LARGEST_SURPRISE` times the known spread at most.
    """
    if len(judged.used) < 2 or judged.sd is None or not judged.mean:
        return before
    # The mean of a plugged gun may be a little below zero.
    seen = min(judged.sd / abs(judged.mean), LARGEST_SURPRISE * before.sd_rel)
    return pool(before, seen, len(judged.used) - 1)


def pool(before: Repeatability, sd_rel: float, dof: float) -> Repeatability:
    """Two standard deviations pooled: variances weighted by their degrees of freedom.

    JCGM 100:2008 4.2.4 and H.3.6; the same as the mean of an inverse-gamma posterior. Beyond `LARGEST_DOF`
    the past fades.
    """
    kept = min(before.dof, max(LARGEST_DOF - dof, 0.0))
    variance = (kept * before.sd_rel**2 + dof * sd_rel**2) / (kept + dof)
    return Repeatability(math.sqrt(variance), kept + dof)


@lru_cache(maxsize=64)
def range_factor(n: int, level: float = WARNING_LEVEL) -> float:
    """f(n) of ISO 5725-6: the range of n values, over their known standard deviation, at `level`.

    The quantile of the studentized range with infinitely many degrees of freedom.
    Raises ValueError for n < 2.
    """
    if n < 2:
        raise ValueError(f"a range needs two values at least, got {n}")
    known = RANGE_FACTORS.get(level, ())
    if n - 2 < len(known):
        return known[n - 2]
    from scipy.stats import studentized_range

    return float(studentized_range.ppf(level, n, math.inf))


def grubbs_critical(n: int, alpha: float = 0.05, *, two_sided: bool = True) -> float:
    """The critical value of Grubbs' test for one outlier among n values, from Student's t (exact).

    G = (n-1)/sqrt(n) sqrt(t^2/(n-2+t^2)) with t at alpha/n, or alpha/(2n) where either end may be the outlier
    (Grubbs 1969; NIST/SEMATECH e-Handbook 1.3.5.17.1). Raises ValueError for n < 3.
    """
    if n < 3:
        raise ValueError(f"Grubbs' test needs three values at least, got {n}")
    t = t_quantile(1 - alpha / ((2 if two_sided else 1) * n), n - 2)
    return (n - 1) / math.sqrt(n) * math.sqrt(t * t / (n - 2 + t * t))


def grubbs_statistic(values: Sequence[float]) -> tuple[int, float]:
    """Which value lies furthest from the mean, and by how many sample standard deviations."""
    mean = math.fsum(values) / len(values)
    sd = _sd(values, mean)
    furthest = max(range(len(values)), key=lambda index: abs(values[index] - mean))
    return furthest, (abs(values[furthest] - mean) / sd if sd > 0 else 0.0)


def _without_outlier(
    usable: list[ShotValue],
) -> tuple[list[ShotValue], list[tuple[ShotValue, str]]]:
    if len(usable) < GRUBBS_FROM:
        return usable, []
    values = [shot.flow for shot in usable if shot.flow is not None]
    furthest, statistic = grubbs_statistic(values)
    critical = grubbs_critical(len(values))
    if statistic <= critical:
        return usable, []
    out = usable[furthest]
    why = (
        f"outlier by Grubbs' test at 5 %: {statistic:.2f} standard deviations from the mean of {len(values)} "
        f"shots, {critical:.2f} allowed"
    )
    return [shot for shot in usable if shot is not out], [(out, why)]


def _too_wide(
    values: Sequence[float], used: Sequence[ShotValue], prior: Repeatability | None, level: float
) -> tuple[bool, str]:
    """Whether the range exceeds ISO 5725-6's critical range, and the comparison in words."""
    if len(values) < 2 or prior is None:
        return False, ""
    mean = math.fsum(values) / len(values)
    # On a coarse scale the measurement scatters more than the gun: that must not count against the gun.
    measuring = math.sqrt(math.fsum((shot.u_random or 0.0) ** 2 for shot in used) / len(used))
    critical = range_factor(len(values), level) * max(prior.sd_rel * abs(mean), measuring)
    width = max(values) - min(values)
    if mean == 0:
        return width > critical, f"{len(values)} shots span {width:.2f} g/min about no flow"
    words = (
        f"{len(values)} shots span {100 * width / abs(mean):.2f} %, {100 * critical / abs(mean):.2f} % "
        f"allowed (ISO 5725-6, repeatability {100 * prior.sd_rel:.2f} %)"
    )
    return width > critical, words


def _mean(
    values: Sequence[float], used: Sequence[ShotValue], prior: Repeatability | None
) -> tuple[float, float | None, float | None, float | None, Contribution | None]:
    """Mean, sample sd, standard uncertainty of the mean with its dof, and the same without the scale's."""
    n = len(values)
    mean = math.fsum(values) / n
    sd = _sd(values, mean) if n > 1 else None
    common = math.fsum(shot.u_common for shot in used) / n
    known = 0.0 if prior is None else prior.dof
    if sd is None and prior is None:
        return mean, None, None, None, None
    squares = (n - 1) * (sd or 0.0) ** 2 + known * ((prior.sd_rel * mean) ** 2 if prior else 0.0)
    variance = squares / (n - 1 + known)
    measuring2 = math.fsum((shot.u_random or 0.0) ** 2 for shot in used) / n
    u_mean = math.sqrt(max(variance, measuring2) / n)
    scatter = Contribution(u_mean, n - 1 + known)
    u, dof = combined([scatter, Contribution(common)])
    scale = math.fsum(shot.u_scale for shot in used) / n
    alone = combined([scatter, Contribution(math.sqrt(max(common**2 - scale**2, 0.0)))])
    return mean, sd, u, dof, Contribution(*alone)


def few_shots(usable: int, asked: int) -> str:
    """That a check has too few shots, in words."""
    return f"{usable} of {counted(asked, 'shot')} {'is' if usable == 1 else 'are'} usable"


def _reason(used: Sequence[ShotValue], asked: int, *, too_wide: bool, width: str) -> str:
    if too_wide:
        return f"the shots disagree: {width}"
    if len(used) < asked:
        return few_shots(len(used), asked)
    return width or counted(len(used), "shot")


def _sd(values: Sequence[float], mean: float) -> float:
    return math.sqrt(math.fsum((value - mean) ** 2 for value in values) / (len(values) - 1))
