"""The page's charts: a shot's curve with its fit, checks against target, wear with its forecast."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import tzinfo

import numpy as np

from agent.assessment.wording import counted
from agent.contract.records import Check
from agent.contract.times import epoch_s
from agent.flow.evidence import surroundings_of, window_of
from agent.flow.measuring import measure
from agent.report.charts import Chart, around, padded
from agent.report.contents import ShotShown, is_paper

LEFT_OUT = 0.1
"""A reading that counted less than this in the fit is drawn as left out."""
MOST_POINTS = 600
"""Points of a drawn curve; a shot has fewer readings than this at 10 Hz."""


@dataclass(frozen=True, slots=True)
class ShotFigure:
    """The pictures of one shot."""

    curve: str
    residuals: str
    """Empty where no model is shown."""


def shot_figure(shot: ShotShown, gun: str) -> ShotFigure | None:
    """Readings, fitted model, readings left out, and what remains; None where the readings are not kept."""
    if shot.evidence is None:
        return None
    window = window_of(shot.evidence)
    if window.t_s.size == 0:
        return None
    measured = measure(window, surroundings_of(shot.evidence))
    # A fit to readings that were spoiled tells of nothing: they are shown as they are.
    fitted = 0 < measured.curve_g.size == window.t_s.size and shot.dispense.quality != "rejected"
    t_s = window.t_s - window.opened_s
    before_g = float(measured.curve_g[0] if fitted else window.mass_g[0])
    mass_g = window.mass_g - before_g
    keep = np.unique(np.linspace(0, t_s.size - 1, min(t_s.size, MOST_POINTS)).astype(int))
    out = np.flatnonzero(measured.weight < LEFT_OUT) if fitted else np.empty(0, dtype=int)
    what = f"{shot.dispense.purpose} of gun {gun} at {shot.dispense.started_at}"
    y_low, y_high = around(mass_g.tolist(), 1.0)
    told = (
        f"Mass on the scale rises by {shot.dispense.mass_g or 0:.2f} g in {shot.dispense.open_s or 0:.1f} s. "
        f"{out.size} of {t_s.size} readings were left out of the fit."
        if fitted
        else f"{t_s.size} readings; no model is shown."
    )
    curve = Chart(
        f"Readings{' and fit' if fitted else ''}, {what}",
        told,
        float(t_s[0]),
        float(t_s[-1]),
        y_low,
        y_high,
        x_label="seconds since the gun opened",
        y_label="g on the scale",
    )
    closed_s = window.closed_s - window.opened_s
    curve.band([0.0, closed_s], [y_low, y_low], [y_high, y_high], "open")
    curve.dots(t_s[keep].tolist(), mass_g[keep].tolist(), "reading")
    if not fitted:
        return ShotFigure(curve.svg(), "")
    curve.line(t_s[keep].tolist(), (measured.curve_g[keep] - before_g).tolist(), "fit")
    curve.crosses(t_s[out].tolist(), mass_g[out].tolist(), "out")
    return ShotFigure(curve.svg(), _residuals(t_s, window.mass_g - measured.curve_g, measured.weight, what))


def checks_figure(
    checks: Sequence[Check], gun: str, zone: tzinfo, height: float = Chart.height
) -> str | None:
    """A gun's checks of its latest setup against target and tolerance; None where there are none."""
    known = [
        (epoch_s(check.at), check.mean_g_per_min, check.low_g_per_min, check.high_g_per_min, is_paper(check))
        for check in checks
        if check.setup == checks[-1].setup
    ]
    points = [(t, m, lo, hi, p) for t, m, lo, hi, p in known if None not in (m, lo, hi)]
    if not points:
        return None
    times, means, lows, highs, on_paper = (list(column) for column in zip(*points, strict=True))
    paper = sum(on_paper)
    target, tolerance = checks[-1].target_g_per_min, checks[-1].tolerance_pct
    lowest, highest = target * (1 - tolerance / 100), target * (1 + tolerance / 100)
    y_low, y_high = around([*means, lowest, highest], 1.0, 0.12)
    chart = Chart(
        f"Checks of gun {gun} for {checks[-1].setup}",
        f"{counted(len(points), 'check')}{f', {paper} of them from paper' if paper else ''}; the latest gave "
        f"{means[-1]:.2f} g/min; target {target:g}, tolerance {tolerance:g} %.",
        *padded(times),
        y_low,
        y_high,
        x_label="hollow: from paper" if paper else "",
        y_label="g/min",
        height=height,
        time_zone=zone,
    )
    chart.band([chart.x_low, chart.x_high], [lowest, lowest], [highest, highest], "tolerance")
    chart.level(target, "target", f"target {target:g}")
    chart.intervals(times, lows, highs, "interval")
    chart.line(times, means, "trend")
    for style, wanted in (("point", False), ("point paper", True)):
        mine = [(t, m) for t, m, p in zip(times, means, on_paper, strict=True) if p is wanted]
        chart.dots([t for t, _ in mine], [m for _, m in mine], style, 2.6)
    return chart.svg()


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
        height=124.0,
    )
    chart.level(0.0, "target")
    chart.dots(t_s[used].tolist(), left_g[used].tolist(), "reading")
    inside = ~used & (np.abs(left_g) <= 1.6 * scale)
    chart.crosses(t_s[inside].tolist(), left_g[inside].tolist(), "out", 2.0)
    return chart.svg()
