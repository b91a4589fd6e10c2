"""The report as one self-contained HTML file: no script, no network, readable on paper."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from importlib.resources import files
from zoneinfo import ZoneInfo

from markupsafe import Markup

from agent import __version__
from agent.contract.alarm_words import ALARM_STATES
from agent.report.contents import CellShown, Contents, GunShown, ShotShown, is_paper
from agent.report.figures import ShotFigure, checks_figure, shot_figure
from agent.report.guns_figure import guns_figure
from agent.report.wear_figure import wear_figure
from agent.report.words import (
    chance,
    day,
    due_of,
    kept_together,
    off_target,
    printed,
    readable,
    sentence,
    spaced,
    told,
    turn_told,
    why_turned,
)


@dataclass(frozen=True, slots=True)
class _Drawn:
    """The pictures as the template asks for them: our own SVG, so it is not escaped again."""

    zone: ZoneInfo

    def shot(self, shot: ShotShown, gun: str) -> ShotFigure | None:
        figure = shot_figure(shot, gun)
        return ShotFigure(Markup(figure.curve), Markup(figure.residuals)) if figure else None  # noqa: S704

    def guns(self, cell: CellShown) -> Markup | None:
        drawn = guns_figure(cell)
        return Markup(drawn) if drawn else None  # noqa: S704

    def checks(self, gun: GunShown) -> Markup | None:
        drawn = checks_figure(gun.checks, gun.name, self.zone) if gun.checks else None
        return Markup(drawn) if drawn else None  # noqa: S704

    def wear(self, gun: GunShown) -> Markup | None:
        drawn = wear_figure(gun, self.zone)
        return Markup(drawn) if drawn else None  # noqa: S704


def page_of(contents: Contents) -> str:
    """The page. Everything from outside is escaped; the pictures are made here."""
    from jinja2 import Environment, StrictUndefined

    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=False)
    zone = ZoneInfo(contents.timezone)
    environment.filters["local"] = partial(told, zone=zone, form="%-d %b %Y %H:%M")
    environment.filters["clock"] = partial(told, zone=zone, form="%H:%M:%S")
    environment.filters["day"] = partial(day, zone=zone)
    environment.filters["due"] = due_of
    environment.filters["readable"] = partial(readable, zone=zone)
    environment.filters["spaced"] = spaced
    environment.filters["sentence"] = sentence
    environment.filters["printed"] = lambda text: kept_together(printed(text))
    environment.filters["turn"] = lambda advice: kept_together(turn_told(advice))
    environment.filters["why_turned"] = lambda advice: kept_together(why_turned(advice))
    environment.filters["chance"] = chance
    environment.filters["off"] = off_target
    environment.filters["on_paper"] = is_paper
    environment.filters["alarm_state"] = lambda state: ALARM_STATES.get(state, state)
    template = environment.from_string(_file("page.html.j2"))
    style = Markup(f"{chart_style()}{_file('style.css')}")  # noqa: S704
    return template.render(page=contents, figures=_Drawn(zone), style=style, version=__version__)


def chart_style() -> str:
    """How the charts look, light and dark, for every page that shows them."""
    return _file("charts.css")


def _file(name: str) -> str:
    return files("agent.report").joinpath(name).read_text(encoding="utf-8")
