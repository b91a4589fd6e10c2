"""One row of a paper history: its cells as values, or every fault of the row."""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from functools import partial
from typing import NoReturn, TypeVar
from zoneinfo import ZoneInfo

from agent.contract.inputs import Part
from agent.contract.plan import Cell, Plan, Setup
from agent.contract.times import is_plausible, rfc3339_s

T = TypeVar("T")

PARTS: dict[str, Part] = {"nozzle": "nozzle", "needle": "needle", "seal": "seal", "gun": "gun"}
MOST_SHOTS = 20
FLOW = (0.01, 100_000.0)
"""Flows that can be meant, g/min."""
SPANS = {
    "setting": (-1000.0, 1000.0),
    "pot_bar": (0.001, 100.0),
    "fluid_c": (-50.0, 150.0),
    "u_pct": (0.001, 50.0),
}
"""Least and largest value of the other numbers."""
NOON = time(12, 0)
"""A row with a day and no time of day is put here."""


@dataclass(frozen=True, slots=True)
class PaperFault:
    """One thing that is wrong with the file."""

    line: int
    column: str
    text: str

    def __str__(self) -> str:
        where = f"line {self.line}" + (f", {self.column}" if self.column else "")
        return f"{where}: {self.text}"


@dataclass(frozen=True, slots=True)
class PaperRow:
    """One row, understood."""

    line: int
    at_s: float
    """When, epoch seconds."""
    cell: Cell
    gun: str
    setup: Setup | None
    """None where the row tells of a part alone."""
    shots: tuple[float, ...]
    """Flows of the single shots, g/min; empty where only the mean is known."""
    mean: float | None
    n: int
    setting: float | None = None
    pot_bar: float | None = None
    fluid_c: float | None = None
    u_pct: float | None = None
    part: Part | None = None


class _Wrong(ValueError):  # noqa: N818 - it reads as what it is
    """A cell of the table that cannot be used."""

    def __init__(self, column: str, text: str) -> None:
        super().__init__(text)
        self.column = column


class Reader:
    """Makes rows of a table's cells, and notes every fault of a row."""

    def __init__(self, plan: Plan, now_s: float) -> None:
        self._plan = plan
        self._now_s = now_s
        self._zone = ZoneInfo(plan.timezone)

    def row(self, line: int, cells: Mapping[str, str], faults: list[PaperFault]) -> PaperRow | None:
        """The row, or None after its faults were added to `faults`."""
        before = len(faults)

        def tried(make: Callable[[], T]) -> T | None:
            try:
                return make()
            except _Wrong as wrong:
                faults.append(PaperFault(line, wrong.column, str(wrong)))
                return None

        at_s = tried(lambda: self._when(cells.get("day")))
        cell = tried(lambda: self._cell(cells))
        gun = tried(lambda: _gun(cells, cell)) if cell is not None else None
        flows = tried(lambda: _flows(cells))
        setup = tried(lambda: self._setup(cells)) if flows is not None and flows.mean is not None else None
        part = tried(lambda: _part(cells))
        numbers = {name: tried(partial(_number, cells, name, *span)) for name, span in SPANS.items()}
        if len(faults) == before and flows is not None and flows.mean is None and part is None:
            faults.append(PaperFault(line, "shots", "neither shots nor mean nor part is given"))
        if len(faults) > before or at_s is None or cell is None or gun is None or flows is None:
            return None
        n = flows.n or (setup.shots if setup is not None else 0)
        return PaperRow(line, at_s, cell, gun, setup, flows.shots, flows.mean, n, part=part, **numbers)

    def _cell(self, cells: Mapping[str, str]) -> Cell:
        names = [cell.name for cell in self._plan.cells]
        if "cell" not in cells and len(names) == 1:
            return self._plan.cells[0]
        return self._plan.cell(_one_of("cell", cells.get("cell"), names, "cells"))

    def _setup(self, cells: Mapping[str, str]) -> Setup:
        setups = {setup.name: setup for setup in self._plan.setups}
        if "setup" not in cells and len(setups) == 1:
            return next(iter(setups.values()))
        return setups[_one_of("setup", cells.get("setup"), list(setups), "setups")]

    def _when(self, text: str | None) -> float:
        allowed = "allowed: 2026-03-02, 2026-03-02 05:40, or with an offset 2026-03-02T05:40:00+02:00"
        if text is None:
            raise _Wrong("day", f"there is none; {allowed}")
        try:
            if re.fullmatch(r"\d{4}-\d\d-\d\d", text):
                moment = datetime.combine(date.fromisoformat(text), NOON, self._zone)
                at_s = moment.timestamp()
            elif re.fullmatch(r"\d{4}-\d\d-\d\d[ T]\d\d:\d\d(:\d\d)?", text):
                at_s = datetime.fromisoformat(text).replace(tzinfo=self._zone).timestamp()
            else:
                at_s = rfc3339_s(text)
        except ValueError:
            raise _Wrong("day", f"found {text!r}; {allowed}") from None
        if not is_plausible(at_s) or at_s > self._now_s:
            raise _Wrong("day", f"found {text!r}; allowed: from the year 2000 until now")
        return at_s


def _one_of(column: str, found: str | None, allowed: Sequence[str], what: str) -> str:
    if found is None:
        raise _Wrong(column, f"there is none; {what}: {', '.join(allowed)}")
    if found not in allowed:
        near = difflib.get_close_matches(found, allowed, 1)
        hint = f"did you mean {near[0]}?" if near else f"{what}: {', '.join(allowed)}"
        raise _Wrong(column, f"found {found!r}; {hint}")
    return found


def _gun(cells: Mapping[str, str], cell: Cell) -> str:
    guns = [gun.name for gun in cell.guns]
    return _one_of("gun", cells.get("gun"), guns, f"guns of cell {cell.name}")


def _part(cells: Mapping[str, str]) -> Part | None:
    if "part" not in cells:
        return None
    return PARTS[_one_of("part", cells["part"].lower(), list(PARTS), "parts")]


@dataclass(frozen=True, slots=True)
class _Flows:
    shots: tuple[float, ...]
    mean: float | None
    n: int | None


def _flows(cells: Mapping[str, str]) -> _Flows:
    if "shots" in cells and "mean" in cells:
        raise _Wrong("mean", "give the shots or the mean, not both")
    if "shots" in cells:
        if "n" in cells:
            raise _Wrong("n", "how many shots there are is seen from shots")
        shots = tuple(_numbers(cells["shots"]))
        if len(shots) > MOST_SHOTS:
            raise _Wrong("shots", f"{len(shots)} shots; allowed: at most {MOST_SHOTS}")
        return _Flows(shots, math.fsum(shots) / len(shots), len(shots))
    n = _number(cells, "n", 1.0, float(MOST_SHOTS))
    if n is not None and n != round(n):
        raise _Wrong("n", f"found {cells['n']!r}; allowed: a whole number")
    return _Flows((), _number(cells, "mean", *FLOW), None if n is None else round(n))


def _numbers(text: str) -> Iterator[float]:
    for one in re.split(r"[;/|]\s*|\s+", text.strip(" ;/|")):
        yield _parsed("shots", one, *FLOW)


def _number(cells: Mapping[str, str], column: str, least: float, most: float) -> float | None:
    return _parsed(column, cells[column], least, most) if column in cells else None


def _parsed(column: str, text: str, least: float, most: float) -> float:
    # A decimal comma, as many desks write it; a comma and a point in one number could mean either.
    plain = text.replace(",", ".") if text.count(",") == 1 and "." not in text else text
    if not re.fullmatch(r"[+-]?\d+(\.\d*)?|[+-]?\.\d+", plain):
        _refuse(column, text, least, most)
    value = float(plain)
    if not least <= value <= most:
        _refuse(column, text, least, most)
    return value


def _refuse(column: str, text: str, least: float, most: float) -> NoReturn:
    raise _Wrong(column, f"found {text!r}; allowed: a number from {least:g} to {most:g}")
