"""Wear of one gun's parts, from its checks since they were changed.

A tabular CUSUM (ISO 7870-4) finds the change, with an individuals chart beside it for a single odd check.
Its reference value is half of `WORTH_TELLING`, so that it reacts fastest to a change that matters to a part;
its decision limit is set by the average run length: one false alarm in `FALSE_ALARM_EVERY` checks, with the
uncertainty of the baseline counted in and the scatter of the checks taken as known (while it is still being
learned, there are about twice as many). `WORTH_TELLING` is the change in flow that a technician would act on
(common practice: from 2 % on; no source). The limit of 10 % above the new part's flow is that of sprayer
inspection (ISO 16122-2, from memory; extension services: "replace when more than 10 % above a new one").

The charts compare with the mean of the first checks. What is told (change, day, grams) is counted from the
new part at its first check, which `wear_course` finds together with the wear.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from agent.assessment.intervals import coverage_factor
from agent.assessment.wear_changes import Changes, WearPoint, bounded, changes_of
from agent.assessment.wear_charts import cusum, decision_limit, ewma
from agent.assessment.wear_course import Course, beside_step, course_by_grams, course_of
from agent.assessment.wear_forecast import Crossing, crossing
from agent.assessment.wear_pattern import Found, Pattern, find

__all__ = ["Due", "WearJudged", "WearPoint", "bounded", "judge_wear"]

WORTH_TELLING = 0.02
FALSE_ALARM_EVERY = 1000.0
SMALLEST_K = 0.5
LEVEL_WEIGHT = 0.3
"""EWMA weight of the present level."""
FEWEST_CHECKS = 5
FURTHEST_DAYS = 3652.0
MOST_TIMES = 1000.0
"""A forecast does not reach beyond so many times the grams sprayed so far."""
DAY_S = 86400.0


@dataclass(frozen=True, slots=True)
class Due:
    """When the limit is expected to be met, epoch seconds, with the 95 % prediction interval."""

    at_s: float
    earliest_s: float
    latest_s: float | None
    """None where the interval has no end within ten years."""


@dataclass(frozen=True, slots=True)
class WearJudged:
    """What the checks say of wear."""

    checks: int
    since_s: float | None
    """Time of the first check since the parts were changed."""
    change_pct: float | None
    change_low_pct: float | None
    change_high_pct: float | None
    """95 % interval of the change."""
    pattern: Pattern
    limit_pct: float
    due: Due | None
    due_g: float | None
    due_low_g: float | None
    due_high_g: float | None
    """Grams still to be sprayed until the limit, with the 95 % prediction interval."""
    reason: str
    odd_check: bool = False
    """The last check lies outside the individuals chart's limits."""
    slope_pct_per_day: float | None = None


def judge_wear(points: Sequence[WearPoint], limit_pct: float = 10.0) -> WearJudged:
    """Judges the checks of one gun since its parts were changed, in any order.

    Needs no state but the points, of which the first 60 and the latest are used, 2000 in all.
    """
    kept = bounded(points)
    if len(kept) < FEWEST_CHECKS:
        since = kept[0].at_s if kept else None
        return WearJudged(
            len(kept), since, None, None, None, "none", limit_pct, None, None, None, None,
            f"{len(kept)} of {FEWEST_CHECKS} checks for a baseline of the new parts",
        )  # fmt: skip
    changes = changes_of(kept)
    k = max(SMALLEST_K, round(WORTH_TELLING / 2 / changes.sigma, 1))
    h = decision_limit(k, FALSE_ALARM_EVERY, changes.baseline)
    found = find(changes, k, h)
    shape = found.shape
    course = course_of(changes, changes.days, found.kept)
    change, low, high = _now(changes, found, course, (k, h))
    drift = course if shape is not None and shape.pattern == "drift" else None
    due, due_g = _forecast(kept, changes, found, drift, limit_pct) if drift else (None, None)
    return WearJudged(
        len(kept),
        kept[0].at_s,
        100 * change,
        100 * low,
        100 * high,
        shape.pattern if shape else "none",
        limit_pct,
        due,
        due_g.x if due_g else None,
        due_g.earliest if due_g else None,
        due_g.latest if due_g else None,
        _reason(changes, found, (change, low, high), limit_pct, due),
        odd_check=_odd(changes, found),
        slope_pct_per_day=100 * drift.line.slope if drift else None,
    )


def _odd(changes: Changes, found: Found) -> bool:
    """Whether the last check lies outside the individuals chart about the level of those before it."""
    last = len(changes.change) - 1
    before = ewma(changes.change[found.kept[found.kept < last]], 0.0, LEVEL_WEIGHT)
    return bool(abs(changes.change[last] - before[-1]) > 3 * changes.sigma)


def _now(
    changes: Changes, found: Found, course: Course | None, chart: tuple[float, float]
) -> tuple[float, float, float]:
    """The present change against the new part and its 95 % interval, as fractions.

    A slow change is that of its course. Where none is found, or a sudden one, the level that is seen and a
    course are averaged by how probable they are: slow wear may hide in the baseline that the charts compare
    with, and look like a small step.
    """
    level, u = _level(changes, found, course)
    share = 0.0 if course is None else _share(changes, found, course, chart)
    dof: float = max(len(changes.change) - 1, 1)
    if course is not None and share > 0:
        x = float(changes.days[-1])
        there, u_there = course.line.at(x), course.line.u_at(x)
        # The variance of two that are averaged: that within each, and that between them.
        u = math.sqrt(share * u_there**2 + (1 - share) * u**2 + share * (1 - share) * (there - level) ** 2)
        level += share * (there - level)
        dof = share * max(course.line.dof, 1) + (1 - share) * dof
    half = coverage_factor(dof) * u
    return level, level - half, level + half


def _share(changes: Changes, found: Found, course: Course, chart: tuple[float, float]) -> float:
    """How much the course says of the present change; `chart` is the CUSUM's reference and limit."""
    shape = found.shape
    if shape is None:
        # What departs from the course as well was something else, and is over.
        k, h = chart
        off = cusum((changes.change - course.at(changes.days)) / changes.sigma, 0.0, k)
        return course.beside_none if max(sums.max() for sums in off) <= h else 0.0
    if shape.on_drift:
        return 0.0
    return beside_step(changes, found.kept) if shape.sudden else 1.0


def _level(changes: Changes, found: Found, course: Course | None) -> tuple[float, float]:
    """The level against the new part with its standard uncertainty, since a sudden change or lately."""
    shape, sigma, zero, u_zero = found.shape, changes.sigma, 0.0, changes.u_zero
    if shape is not None and shape.sudden:
        since = changes.change[shape.begins :]
        level, own = float(since.mean()), sigma / math.sqrt(len(since))
        if shape.on_drift and course is not None:
            zero, u_zero = course.zero, course.u_zero
    else:
        level = float(ewma(changes.change[found.kept], 0.0, LEVEL_WEIGHT)[-1])
        own = sigma * math.sqrt(LEVEL_WEIGHT / (2 - LEVEL_WEIGHT))
    return (1 + level) / (1 + zero) - 1, math.hypot(own, u_zero, changes.u_links)


def _forecast(
    points: Sequence[WearPoint], changes: Changes, found: Found, course: Course, limit_pct: float
) -> tuple[Due | None, Crossing | None]:
    """When, and after how many more grams, a drift meets the limit; both against the new part."""
    now, sprayed = float(changes.days[-1]), float(changes.grams[-1])
    by_day = _meets(course, limit_pct, now, now + FURTHEST_DAYS)
    by_grams = course_by_grams(changes, found.kept, course)
    by_gram = None if by_grams is None else _meets(by_grams, limit_pct, sprayed, MOST_TIMES * sprayed)
    return _date(points[0].at_s, by_day), _from_now(sprayed, by_gram)


def _meets(course: Course, limit_pct: float, now: float, furthest: float) -> Crossing | None:
    """Where the course meets the limit on its axis, days or grams."""
    return crossing(course.line, limit_pct / 100, start=course.begins, now=now, furthest=furthest)


def _date(first_s: float, meets: Crossing | None) -> Due | None:
    if meets is None:
        return None
    latest = None if meets.latest is None else first_s + meets.latest * DAY_S
    return Due(first_s + meets.x * DAY_S, first_s + meets.earliest * DAY_S, latest)


def _from_now(sprayed: float, meets: Crossing | None) -> Crossing | None:
    if meets is None:
        return None
    latest = None if meets.latest is None else meets.latest - sprayed
    return Crossing(meets.x - sprayed, meets.earliest - sprayed, latest)


def _reason(
    changes: Changes, found: Found, now: tuple[float, float, float], limit_pct: float, due: Due | None
) -> str:
    shape, n, change_pct = found.shape, len(changes.change), 100 * now[0]
    size = f"{change_pct:+.1f} % against the new part, over {n} checks"
    if shape is None:
        odd = "; the latest check lies apart from those before it" if _odd(changes, found) else ""
        # The charts are slower to tell than the interval, for they are asked at every check.
        yet = " yet, though the checks rise" if now[1] > 0 else " yet, though the checks fall"
        yet = yet if now[1] > 0 or now[2] < 0 else ""
        return f"no change beyond chance{yet}: {size}{odd}"
    over = f", beyond the limit of {limit_pct:g} %" if change_pct >= limit_pct else ""
    seen = n - shape.begins
    ago = " in the latest check (check again)" if seen == 1 else f" {seen} checks ago"
    if shape.pattern == "plugging":
        how = f"fell{ago}" if shape.sudden else "falls little by little"
        of = f", by {-100 * shape.size:.1f} % from its worn level" if shape.on_drift else ""
        return f"flow {how}{of}: {size}. Low flow is no wear: look for a plugged tip, filter or hose"
    if shape.pattern == "step":
        return f"flow jumped{ago}: {size}{over}. Look at the tip and the needle for damage"
    when = "" if due is not None or over else "; no date can be given yet"
    return f"flow rises steadily: {size}{over or f', limit {limit_pct:g} %'}{when}"
