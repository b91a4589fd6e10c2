"""Wear of a gun as a picture: its change since the parts were changed, and where that is expected to go."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import tzinfo

from agent.contract.records import Check, Wear
from agent.contract.times import epoch_s
from agent.report.charts import Chart, around, padded
from agent.report.contents import GunShown
from agent.report.words import day, day_s, due_of

FEWEST = 3
"""With fewer checks there is no course to draw."""


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
    last = flows[-1][1]
    base = last / (1.0 + (wear.change_pct or 0.0) / 100.0)
    return [(t, 100.0 * (flow / base - 1.0)) for t, flow in flows]
