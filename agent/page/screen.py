"""The page as it is now: put into HTML at most once a second, the live curves as JSON more often."""

from __future__ import annotations

import hashlib
import json
import time
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from importlib.resources import files
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from markupsafe import Markup

from agent.page.memory import Memory
from agent.page.view import OLD_S, cells_of, shown_alarms
from agent.settings.site import Site
from agent.web.board import Board, Pinned

if TYPE_CHECKING:
    from jinja2 import Environment

EVERY_S = 1.0


@dataclass(frozen=True, slots=True)
class Shown:
    """What is sent to whoever looks."""

    html: str
    """The cells, to be put into the page."""
    digest: str
    """Changes when the cells do."""


class Screen:
    """Makes what is shown. For the server's thread alone."""

    def __init__(self, site: Site, board: Board) -> None:
        self._site = site
        self._board = board
        self._zone = ZoneInfo(site.plan.timezone)
        self._memory = Memory(site.state_dir, site.plan)
        self._shown: Shown | None = None
        self._shown_s = float("-inf")
        self._curves: tuple[int, str] = (0, "{}")

    def shown(self) -> Shown:
        """The cells now."""
        now_s = time.monotonic()
        if self._shown is None or now_s - self._shown_s >= EVERY_S:
            html = self._cells_html()
            self._shown = Shown(html, hashlib.sha256(html.encode()).hexdigest()[:16])
            self._shown_s = now_s
        return self._shown

    def page(self) -> str:
        """The whole page, for a first look and for browsers without script."""
        plan = self._site.plan
        return (
            _templates()
            .get_template("page.html.j2")
            .render(
                cells=Markup(self.shown().html),  # noqa: S704  made by our own template
                agent=plan.agent,
                scales=[(cell.name, scale.name) for cell in plan.cells for scale in cell.scales],
            )
        )

    def curves(self) -> tuple[int, str]:
        """A number that grows, and the live curves as JSON."""
        pinned = self._board.read()
        if pinned is not None and pinned.number != self._curves[0]:
            self._curves = (pinned.number, _curves_json(pinned))
        return self._curves

    def age_s(self) -> float | None:
        """How old the newest snapshot is; None before the first."""
        pinned = self._board.read()
        return time.monotonic() - pinned.monotonic_s if pinned else None

    def close(self) -> None:
        """Close the journal."""
        self._memory.close()

    def _cells_html(self) -> str:
        pinned = self._board.read()
        age_s = self.age_s()
        at = f"{datetime.fromtimestamp(pinned.snapshot.at_s, self._zone):%H:%M:%S}" if pinned else ""
        return (
            _templates()
            .get_template("cells.html.j2")
            .render(
                cells=cells_of(pinned.snapshot, self._memory.cells(), self._zone) if pinned else (),
                snapshot=pinned.snapshot if pinned else None,
                own_alarms=shown_alarms(pinned.snapshot.own_alarms, self._zone) if pinned else (),
                old=age_s is None or age_s > OLD_S,
                at=at if age_s is None or age_s > OLD_S else "",
            )
        )


def _curves_json(pinned: Pinned) -> str:
    body = {
        cell.name: {
            "open": list(cell.open_guns),
            "scales": {curve.scale: {"t": curve.t_s, "g": curve.mass_g} for curve in cell.curves},
        }
        for cell in pinned.snapshot.cells
    }
    return json.dumps(body, separators=(",", ":"), allow_nan=False)


def asset(name: str) -> str:
    """A file of the page."""
    return files("agent.page").joinpath(name).read_text(encoding="utf-8")


@lru_cache(maxsize=1)
def _templates() -> Environment:
    from jinja2 import Environment, FunctionLoader, StrictUndefined

    environment = Environment(autoescape=True, undefined=StrictUndefined, loader=FunctionLoader(asset))
    environment.filters["drawn"] = Markup
    return environment
