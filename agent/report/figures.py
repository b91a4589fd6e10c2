"""The page's charts: a shot's curve with its fit, checks against target, wear with its forecast."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import tzinfo

import numpy as np

from agent.contract.records import Check, Wear
from agent.contract.times import epoch_s
from agent.flow.evidence import surroundings_of, window_of
from agent.flow.measuring import measure
from agent.report.charts import Chart, around
from agent.report.contents import GunShown, ShotShown

LEFT_OUT = 0.1
"""A reading that counted less than this in the fit is drawn as left out."""
MOST_POINTS = 600
"""Points of a drawn curve; a shot has fewer readings than this at 10 Hz."""


@dataclass(frozen=True, slots=True)
class ShotFigure:
    """The pictures of one shot."""

    curve: str
    residuals: str


def shot_figure(shot: ShotShown, gun: str) -> ShotFigure | None:
    """Readings, fitted model, readings left out, and what remains; None where the readings are not kept."""
    if shot.evidence is None:
        return None
    window = window_of(shot.evidence)
    measured = measure(window, surroundings_of(shot.evidence))
    if measured.curve_g.size == 0 or measured.curve_g.size != window.t_s.size:
        return None
    t_s = window.t_s - window.opened_s
    keep = np.unique(np.linspace(0, t_s.size - 1, min(t_s.size, MOST_POINTS)).astype(int))
    out = np.flatnonzero(measured.weight < LEFT_OUT)
    what = f"{shot.dispense.purpose} of gun {gun} at {shot.dispense.started_at}"
    y_low, y_high = around([*window.mass_g[keep].tolist()], 1.0)
    curve = Chart(
        f"Readings and fit, {what}",
        f"Mass on the scale rises by {shot.dispense.mass_g or 0:.2f} g in {shot.dispense.open_s or 0:.1f} s. "
        f"{out.size} of {t_s.size} readings were left out of the fit.",
        float(t_s[0]),
        float(t_s[-1]),
        y_low,
        y_high,
        x_label="seconds since the gun opened",
        y_label="mass g",
    )
    curve.dots(t_s[keep].tolist(), window.mass_g[keep].tolist(), "reading")
    curve.line(t_s[keep].tolist(), measured.curve_g[keep].tolist(), "fit")
    curve.crosses(t_s[out].tolist(), window.mass_g[out].tolist(), "out")
    return ShotFigure(curve.svg(), _residuals(t_s, window.mass_g - measured.curve_g, measured.weight, what))


def checks_figure(checks: Sequence[Check], gun: str, zone: tzinfo) -> str | None:
    """A gun's checks of its latest setup against target and tolerance; None where there are none."""
    known = [
        (epoch_s(check.at), check.mean_g_per_min, check.low_g_per_min, check.high_g_per_min)
        for check in checks
        if check.setup == checks[-1].setup
    ]
    points = [(t, m, lo, hi) for t, m, lo, hi in known if m is not None and lo is not None and hi is not None]
    if not points:
        return None
    times, means, lows, highs = (list(column) for column in zip(*points, strict=True))
    target, tolerance = checks[-1].target_g_per_min, checks[-1].tolerance_pct
    lowest, highest = target * (1 - tolerance / 100), target * (1 + tolerance / 100)
    y_low, y_high = around([*means, lowest, highest], 1.0, 0.12)
    chart = Chart(
        f"Checks of gun {gun} for {checks[-1].setup}",
        f"{len(points)} checks; the latest gave {means[-1]:.2f} g/min; "
        f"target {target:g}, tolerance {tolerance:g} %.",
        *_padded(times),
        y_low,
        y_high,
        y_label="g/min",
        time_zone=zone,
    )
    chart.band([chart.x_low, chart.x_high], [lowest, lowest], [highest, highest], "tolerance")
    chart.level(target, "target", f"target {target:g}")
    chart.intervals(times, lows, highs, "interval")
    chart.line(times, means, "trend")
    chart.dots(times, means, "point", 2.6)
    return chart.svg()


def wear_figure(gun: GunShown, zone: tzinfo) -> str | None:
    """A gun's change since its parts were changed, and where it is expected to go."""
    wear = gun.wear
    if wear is None or wear.change_pct is None or not gun.checks:
        return None
    points = _changes(gun.checks, wear)
    if len(points) < 3:
        return None
    times, changes = [t for t, _ in points], [c for _, c in points]
    ends = [epoch_s(wear.due.date)] if wear.due else []
    y_low, y_high = around([*changes, wear.change_pct, wear.limit_pct if wear.due else 0.0, 0.0], 2.0)
    chart = Chart(
        f"Wear of gun {gun.name}",
        wear.reason,
        *_padded([*times, *ends]),
        y_low,
        y_high,
        y_label="change %",
        time_zone=zone,
    )
    if wear.due and wear.change_low_pct is not None and wear.change_high_pct is not None:
        latest = epoch_s(wear.due.latest) if wear.due.latest else chart.x_high
        chart.band(
            [times[-1], epoch_s(wear.due.earliest), min(latest, chart.x_high)],
            [wear.change_low_pct, wear.limit_pct * 0.999, wear.limit_pct * 0.999],
            [wear.change_high_pct, wear.limit_pct, wear.limit_pct],
            "forecast",
        )
        chart.line([times[-1], epoch_s(wear.due.date)], [wear.change_pct, wear.limit_pct], "expected")
    chart.level(wear.limit_pct, "limit", f"limit {wear.limit_pct:g} %")
    chart.level(0.0, "target")
    chart.line(times, changes, "trend")
    chart.dots(times, changes, "point", 2.2)
    return chart.svg()


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


def _residuals(
    t_s: np.ndarray[tuple[int], np.dtype[np.float64]],
    left_g: np.ndarray[tuple[int], np.dtype[np.float64]],
    weight: np.ndarray[tuple[int], np.dtype[np.float64]],
    what: str,
) -> str:
    used = weight >= LEFT_OUT
    scale = float(np.quantile(np.abs(left_g[used]), 0.99)) if used.any() else 1.0
    chart = Chart(
        f"Readings less fit, {what}",
        f"99 % of the readings that were used lie within {scale:.3f} g of the fit.",
        float(t_s[0]),
        float(t_s[-1]),
        -1.6 * scale,
        1.6 * scale,
        y_label="g",
        height=120.0,
    )
    chart.level(0.0, "target")
    chart.dots(t_s[used].tolist(), left_g[used].tolist(), "reading")
    inside = ~used & (np.abs(left_g) <= 1.6 * scale)
    chart.crosses(t_s[inside].tolist(), left_g[inside].tolist(), "out", 2.0)
    return chart.svg()


def _padded(times: Sequence[float]) -> tuple[float, float]:
    room = max((max(times) - min(times)) * 0.04, 3600.0)
    return min(times) - room, max(times) + room
