"""All guns of a cell in one picture: how far each is from its target, and what is allowed."""

from __future__ import annotations

from collections.abc import Callable
from html import escape

from agent.contract.records import Check
from agent.report.charts import nice_ticks
from agent.report.contents import CellShown, is_paper
from agent.report.words import printed, signed

WIDTH, ROW, TOP, BOTTOM, LEFT, RIGHT = 720.0, 46.0, 16.0, 40.0, 120.0, 190.0
LONGEST = 15
"""Letters of a gun's name that fit before the axis."""
SHAPES = {
    "pass": "M-6 0a6 6 0 1 0 12 0a6 6 0 1 0 -12 0",
    "fail": "M-6 -6L6 6M6 -6L-6 6",
    "inconclusive": "M0 -7L7 0L0 7L-7 0Z",
}
"""A disc, a cross, a diamond: the verdict can be told without colour."""

Row = tuple[str, Check, float]


def guns_figure(cell: CellShown) -> str | None:
    """The guns' latest checks as deviations from their targets, percent; None where no gun has one.

    A check from paper is none of today's and is left out.

    Intervals are those of the checks: 95 %, Student's t.
    """
    rows: list[Row] = [
        (gun.name, gun.check, gun.check.deviation_pct)
        for gun in cell.guns
        if gun.check is not None and gun.check.deviation_pct is not None and not is_paper(gun.check)
    ]
    if not rows:
        return None
    widest = max(max(abs(off), *(abs(end) for end in _interval(check, off))) for _, check, off in rows)
    half = 1.15 * max(widest, *(check.tolerance_pct for _, check, _ in rows))
    height = TOP + ROW * len(rows) + BOTTOM

    def x(pct: float) -> float:
        return LEFT + (pct + half) / (2.0 * half) * (WIDTH - LEFT - RIGHT)

    marks = [_axis(x, half, height)]
    for number, row in enumerate(rows):
        marks.append(_row(x, row, TOP + ROW * (number + 0.5)))
    told = "; ".join(f"{name} {signed(off)} %, {check.verdict}" for name, check, off in rows)
    return (
        f'<svg viewBox="0 0 {WIDTH:g} {height:g}" role="img" class="chart guns-chart">'
        f"<title>Guns of cell {escape(cell.name)} against their target</title><desc>{escape(told)}</desc>"
        f"{''.join(marks)}</svg>"
    )


def _interval(check: Check, off: float) -> tuple[float, float]:
    mean, low, high = check.mean_g_per_min, check.low_g_per_min, check.high_g_per_min
    if not mean or low is None or high is None:
        return off, off
    return off + 100.0 * (low - mean) / check.target_g_per_min, off + 100.0 * (
        high - mean
    ) / check.target_g_per_min


def _axis(x: Callable[[float], float], half: float, height: float) -> str:
    bottom = height - BOTTOM
    parts = [
        f'<path class="grid" d="M{x(tick):.1f} {TOP}V{bottom}"/>'
        f'<text class="tick" x="{x(tick):.1f}" y="{bottom + 18}" text-anchor="middle">'
        f"{printed(f'{tick:+g}')}</text>"
        for tick in nice_ticks(-half, half, 6)
        if abs(tick) > 1e-9
    ]
    parts.append(
        f'<path class="zero" d="M{x(0.0):.1f} {TOP - 6}V{bottom}"/>'
        f'<text class="tick" x="{x(0.0):.1f}" y="{bottom + 18}" text-anchor="middle">target</text>'
        f'<text class="tick" x="{WIDTH - RIGHT}" y="{bottom + 34}" text-anchor="end">% from target</text>'
    )
    return "".join(parts)


def _row(x: Callable[[float], float], row: Row, y: float) -> str:
    name, check, off = row
    low, high = _interval(check, off)
    left, right = x(-check.tolerance_pct), x(check.tolerance_pct)
    short = name if len(name) <= LONGEST else f"{name[: LONGEST - 1]}…"
    return (
        f'<rect class="tolerance" x="{left:.1f}" y="{y - 17:.1f}" width="{right - left:.1f}" height="34"/>'
        f'<text class="name" x="{LEFT - 12}" y="{y + 5:.1f}" text-anchor="end">{escape(short)}</text>'
        f'<path class="whisker" d="M{x(low):.1f} {y:.1f}H{x(high):.1f}M{x(low):.1f} {y - 6:.1f}v12'
        f'M{x(high):.1f} {y - 6:.1f}v12"/>'
        f'<path class="sign {check.verdict}" transform="translate({x(off):.1f} {y:.1f})" '
        f'd="{SHAPES[check.verdict]}"/>'
        f'<text class="name" x="{WIDTH - RIGHT + 14}" y="{y + 5:.1f}">{signed(off)} % {check.verdict}</text>'
    )
