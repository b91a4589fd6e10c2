"""Wear of a gun as a picture: its change since the parts were changed, and where that is expected to go."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import tzinfo
from itertools import combinations
from statistics import median

from agent.assessment.wear import LEVEL_WEIGHT
from agent.assessment.wear_charts import ewma
from agent.contract.records import Check, Wear
from agent.contract.times import epoch_s
from agent.report.charts import Chart, around, padded
from agent.report.contents import GunShown
from agent.report.words import day, day_s, due_of

FEWEST = 3
"""With fewer checks there is no course to draw."""
STRAIGHT = 8
"""So many of the latest checks of a drift are taken as straight (choice of ours)."""


def wear_figure(gun: GunShown, zone: tzinfo) -> str | None:
    """A gun's change since its parts were changed, with limit and forecast; None where there is no course."""
    wear = gun.wear
    if wear is None or wear.change_pct is None or not gun.checks:
        return None
    points = _changes(gun.checks, wear)
    if len(points) < FEWEST:
        return None
    times, changes = [t for t, _ in points], [c for _, c in points]
    meets = due_of(wear)
    ends = [day_s(text, zone) for text in (meets[0], meets[2]) if text is not None] if meets else []
    y_low, y_high = around([*changes, wear.change_pct, wear.limit_pct if wear.due else 0.0, 0.0], 2.0)
    due = f" The limit is expected on {day(meets[0], zone)}." if meets else ""
    chart = Chart(
        f"Wear of gun {gun.name}",
        f"{wear.reason}.{due}",
        *padded([*times, *ends]),
        y_low,
        y_high,
        y_label="change %",
        time_zone=zone,
    )
    _forecast(chart, wear, times[-1], zone)
    chart.level(wear.limit_pct, "limit", f"limit {wear.limit_pct:g} %")
    chart.level(0.0, "target")
    chart.line(times, changes, "trend")
    chart.dots(times, changes, "point", 2.2)
    return chart.svg()


def _forecast(chart: Chart, wear: Wear, from_s: float, zone: tzinfo) -> None:
    # A wedge from the last check's interval to the interval in which the limit is met.
    due, now = due_of(wear), wear.change_pct
    low, high = wear.change_low_pct, wear.change_high_pct
    if due is None or now is None or low is None or high is None:
        return
    date, earliest_text, latest_text = due
    earliest = max(day_s(earliest_text, zone), from_s)
    latest = day_s(latest_text, zone) if latest_text else chart.x_high
    limit = wear.limit_pct
    if latest <= from_s or earliest >= latest:
        return
    at_earliest = low + (limit - low) * (earliest - from_s) / (latest - from_s)
    chart.band([from_s, earliest, latest], [low, at_earliest, limit], [high, limit, limit], "forecast")
    chart.line([from_s, day_s(date, zone)], [now, limit], "expected")
    chart.mark(day_s(date, zone), "limit", day(date, zone))


def _changes(checks: Sequence[Check], wear: Wear) -> list[tuple[float, float]]:
    # Only what ran at the latest check's setup and needle setting is like enough to be drawn as one line.
    latest = checks[-1]
    like = [
        check
        for check in checks
        if check.setup == latest.setup
        and check.needle_setting == latest.needle_setting
        and (wear.since is None or check.at >= wear.since)
    ]
    flows = [
        (epoch_s(check.at), flow)
        for check in like
        if (flow := check.at_setpoint_g_per_min or check.mean_g_per_min) is not None
    ]
    if not flows:
        return []
    # The zero is that of the told change: the new part's flow, found back from the level that change is of.
    new = _present(flows, wear) / (1.0 + (wear.change_pct or 0.0) / 100.0)
    return [(t, 100.0 * (flow / new - 1.0)) for t, flow in flows]


def _present(flows: Sequence[tuple[float, float]], wear: Wear) -> float:
    # The level without the latest check's scatter, or all that is drawn would be off by it. A sudden change
    # may be in the latest check alone: there it is that check's flow.
    if wear.pattern == "none":
        return float(ewma([flow for _, flow in flows], flows[0][1], LEVEL_WEIGHT)[-1])
    latest = flows[-STRAIGHT:]
    if wear.pattern != "drift" or len(latest) < FEWEST:
        return flows[-1][1]
    # The line of Theil and Sen: the median of all slopes, and of what it makes of each check.
    slopes = [(f2 - f1) / (t2 - t1) for (t1, f1), (t2, f2) in combinations(latest, 2) if t2 > t1]
    slope = median(slopes) if slopes else 0.0
    return median(flow + slope * (latest[-1][0] - t) for t, flow in latest)
