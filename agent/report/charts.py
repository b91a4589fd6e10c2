"""Line charts as SVG: axes, bands, lines, points; drawn with classes that the page's style colours.

Each chart carries a title and a description for people who do not see it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta, tzinfo
from html import escape

from agent.report.words import printed

Numbers = Sequence[float]

LEFT, RIGHT, TOP, BOTTOM = 64.0, 12.0, 12.0, 42.0
DAY_S = 86_400.0
WORD_HIGH = 14.0


def nice_ticks(low: float, high: float, about: int = 5) -> list[float]:
    """Round numbers within an interval, about so many: steps of 1, 2 or 5 times a power of ten."""
    span = high - low
    if not span > 0 or not math.isfinite(span):
        return [low]
    raw = span / max(about, 1)
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(factor * power for factor in (1.0, 2.0, 5.0, 10.0) if factor * power >= raw * 0.999)
    first = math.ceil(low / step - 1e-9)
    return [index * step for index in range(first, math.floor(high / step + 1e-9) + 1)]


def day_ticks(low: float, high: float, zone: tzinfo = UTC, about: int = 5) -> list[tuple[float, str]]:
    """Midnights of a zone within an interval of epoch seconds, about so many, as (time, `4 May`)."""
    days = max(1, math.ceil((high - low) / DAY_S / max(about, 1)))
    midnight = datetime.fromtimestamp(low, zone).replace(hour=0, minute=0, second=0, microsecond=0)
    marks: list[float] = []
    while (mark := midnight.timestamp()) <= high:
        if mark >= low:
            marks.append(mark)
        midnight += timedelta(days=days if mark >= low else 1)
    if not marks:
        middle = (low + high) / 2.0
        return [(middle, f"{datetime.fromtimestamp(middle, zone):%-d %b %H:%M}")]
    return [(mark, f"{datetime.fromtimestamp(mark, zone):%-d %b}") for mark in marks]


@dataclass
class Chart:
    """One chart; draw from back to front, then take `svg`."""

    title: str
    description: str
    x_low: float
    x_high: float
    y_low: float
    y_high: float
    x_label: str = ""
    y_label: str = ""
    width: float = 560.0
    height: float = 240.0
    time_zone: tzinfo | None = None
    """Given, the axis across is one of days in this zone, and x are epoch seconds."""
    _marks: list[str] = field(default_factory=list)
    _over: list[str] = field(default_factory=list)
    """Words, in front of everything."""

    def __post_init__(self) -> None:
        if not self.x_high > self.x_low:
            self.x_low, self.x_high = self.x_low - 1.0, self.x_low + 1.0
        if not self.y_high > self.y_low:
            self.y_low, self.y_high = self.y_low - 1.0, self.y_low + 1.0

    def x(self, value: float) -> float:
        """Across, in the drawing's units."""
        part = (value - self.x_low) / (self.x_high - self.x_low)
        return LEFT + part * (self.width - LEFT - RIGHT)

    def y(self, value: float) -> float:
        """Down, in the drawing's units."""
        part = (value - self.y_low) / (self.y_high - self.y_low)
        return self.height - BOTTOM - part * (self.height - TOP - BOTTOM)

    def line(self, xs: Numbers, ys: Numbers, style: str) -> None:
        """A line through points."""
        if len(xs) > 1:
            self._marks.append(f'<polyline class="{style}" points="{self._points(xs, ys)}"/>')

    def band(self, xs: Numbers, lows: Numbers, highs: Numbers, style: str) -> None:
        """The area between two lines."""
        around = f"{self._points(xs, lows)} {self._points(list(reversed(xs)), list(reversed(highs)))}"
        self._marks.append(f'<polygon class="{style}" points="{around}"/>')

    def dots(self, xs: Numbers, ys: Numbers, style: str, radius: float = 1.4) -> None:
        """A dot at each point."""
        path = "".join(
            f"M{self.x(x) - radius:.1f} {self.y(y):.1f}a{radius} {radius} 0 1 0 {2 * radius} 0"
            f"a{radius} {radius} 0 1 0 {-2 * radius} 0"
            for x, y in zip(xs, ys, strict=True)
        )
        if path:
            self._marks.append(f'<path class="{style}" d="{path}"/>')

    def crosses(self, xs: Numbers, ys: Numbers, style: str, arm: float = 3.0) -> None:
        """A cross at each point: readings that were left out, told apart without colour."""
        path = "".join(
            f"M{self.x(x) - arm:.1f} {self.y(y) - arm:.1f}"
            f"l{2 * arm} {2 * arm}m0 {-2 * arm}l{-2 * arm} {2 * arm}"
            for x, y in zip(xs, ys, strict=True)
        )
        if path:
            self._marks.append(f'<path class="{style}" d="{path}"/>')

    def intervals(self, xs: Numbers, lows: Numbers, highs: Numbers, style: str) -> None:
        """A standing bar from low to high at each point."""
        path = "".join(
            f"M{self.x(x):.1f} {self.y(low):.1f}V{self.y(high):.1f}"
            for x, low, high in zip(xs, lows, highs, strict=True)
        )
        if path:
            self._marks.append(f'<path class="{style}" d="{path}"/>')

    def level(self, value: float, style: str, label: str = "") -> None:
        """A line across at one height, with a word at its end."""
        if not self.y_low <= value <= self.y_high:
            return
        y = self.y(value)
        self._marks.append(f'<path class="{style}" d="M{LEFT} {y:.1f}H{self.width - RIGHT}"/>')
        if label:
            # At the top edge the word stands below its line.
            beside = -4.0 if y - TOP > WORD_HIGH else WORD_HIGH
            at = f'x="{self.width - RIGHT - 4}" y="{y + beside:.1f}" text-anchor="end"'
            self._over.append(f'<text class="note" {at}>{escape(label)}</text>')

    def mark(self, at: float, style: str, label: str) -> None:
        """A line upright at one place across, with a word at its foot."""
        x = self.x(at)
        self._marks.append(f'<path class="{style}" d="M{x:.1f} {TOP}V{self.height - BOTTOM}"/>')
        room = self.width - RIGHT - x
        anchor, beside = ("start", 4) if room > 90.0 else ("end", -4)
        at_foot = f'x="{x + beside:.1f}" y="{self.height - BOTTOM - 6:.1f}" text-anchor="{anchor}"'
        self._over.append(f'<text class="note" {at_foot}>{escape(label)}</text>')

    def svg(self) -> str:
        """The drawing."""
        inside = self.width - LEFT - RIGHT, self.height - TOP - BOTTOM
        return (
            f'<svg viewBox="0 0 {self.width:g} {self.height:g}" role="img" class="chart">'
            f"<title>{escape(self.title)}</title><desc>{escape(self.description)}</desc>"
            f"{self._grid()}"
            f'<svg x="{LEFT}" y="{TOP}" width="{inside[0]:g}" height="{inside[1]:g}" '
            f'viewBox="{LEFT} {TOP} {inside[0]:g} {inside[1]:g}">{"".join(self._marks + self._over)}</svg>'
            f"{self._labels()}</svg>"
        )

    def _points(self, xs: Numbers, ys: Numbers) -> str:
        return " ".join(f"{self.x(x):.1f},{self.y(y):.1f}" for x, y in zip(xs, ys, strict=True))

    def _grid(self) -> str:
        lines = []
        for value in nice_ticks(self.y_low, self.y_high, 5 if self.height > 160.0 else 3):
            y = self.y(value)
            lines.append(f'<path class="grid" d="M{LEFT} {y:.1f}H{self.width - RIGHT}"/>')
            lines.append(
                f'<text class="tick" x="{LEFT - 6}" y="{y + 4:.1f}" text-anchor="end">{_tick(value)}</text>'
            )
        marks = (
            day_ticks(self.x_low, self.x_high, self.time_zone)
            if self.time_zone is not None
            else [(value, _tick(value)) for value in nice_ticks(self.x_low, self.x_high, 6)]
        )
        bottom = self.height - BOTTOM
        for value, text in marks:
            x = self.x(value)
            lines.append(f'<path class="grid" d="M{x:.1f} {bottom}v4"/>')
            lines.append(
                f'<text class="tick" x="{x:.1f}" y="{bottom + 17}" text-anchor="middle">{text}</text>'
            )
        lines.append(f'<path class="axis" d="M{LEFT} {bottom}H{self.width - RIGHT}"/>')
        return "".join(lines)

    def _labels(self) -> str:
        middle = TOP + (self.height - TOP - BOTTOM) / 2.0
        return (
            f'<text class="tick" x="{self.width - RIGHT}" y="{self.height - 4}" text-anchor="end">'
            f"{escape(self.x_label)}</text>"
            f'<text class="tick" transform="translate(14 {middle:.1f}) rotate(-90)" text-anchor="middle">'
            f"{escape(self.y_label)}</text>"
        )


def _tick(value: float) -> str:
    # Steps add up to something like 1e-17 instead of nothing.
    return printed(f"{0.0 if abs(value) < 1e-9 else value:.6g}")


def around(values: Numbers, least: float, margin: float = 0.08) -> tuple[float, float]:
    """An interval that holds all values with some room, at least so wide."""
    low, high = min(values), max(values)
    width = max(high - low, least)
    middle = (low + high) / 2.0
    return middle - width * (0.5 + margin), middle + width * (0.5 + margin)


def padded(times: Numbers) -> tuple[float, float]:
    """An interval of time that holds all of these with some room, epoch seconds."""
    room = max((max(times) - min(times)) * 0.04, 3600.0)
    return min(times) - room, max(times) + room
