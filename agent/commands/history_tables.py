"""The journal's records for people: figures as tables, sentences as sentences, times on the site's clock."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, TypeAlias

from rich import box
from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from agent.commands.local_time import LocalTime
from agent.commands.tables import alarm_state, number, pressure_note, short_id, word
from agent.contract.reading_back import record_of
from agent.contract.records import Advice
from agent.journal.rows import Row
from agent.report.words import turn_told, why_turned

Body: TypeAlias = dict[str, Any]
Show: TypeAlias = Callable[[Body], str | Text]
WIDE = 100
"""Columns a terminal must have for everything; a narrower one gets what matters most."""


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a table, or one word of an entry."""

    name: str
    show: Show
    right: bool = False
    wide: bool = False
    """Left out where the terminal is narrow."""
    day: bool = False
    """It shows a moment, whose day on the site's clock is told."""

    def cell(self, body: Body, local: LocalTime) -> str | Text:
        """What stands in the column."""
        shown = self.show(body)
        return local.day(shown) if self.day and isinstance(shown, str) else shown


def _half(body: Body) -> str:
    low, high = body.get("low_g_per_min"), body.get("high_g_per_min")
    return number((high - low) / 2.0 if low is not None and high is not None else None)


def _figure(name: str, member: str, digits: int = 2, *, sign: bool = False, wide: bool = False) -> Column:
    return Column(name, lambda body: number(body.get(member), digits, sign=sign), right=True, wide=wide)


def _text(name: str, member: str, *, wide: bool = False) -> Column:
    return Column(name, lambda body: str(body.get(member) or "-"), wide=wide)


def _word(name: str, member: str) -> Column:
    return Column(name, lambda body: word(str(body.get(member) or "-")))


def _verdict(body: Body) -> Text:
    told = word(str(body.get("verdict") or "-"))
    return told.append(" (paper)", style="dim") if body.get("source") == "imported" else told


def _due(body: Body) -> str:
    due = body.get("due")
    return str(due.get("at") or due["date"]) if due else "-"


TABLES: dict[str, tuple[str, tuple[Column, ...]]] = {
    "check": (
        "Checks",
        (
            _text("gun", "gun"),
            _text("setup", "setup"),
            Column("shots", lambda body: str(len(body["shots"]) or "-"), right=True, wide=True),
            _figure("mean g/min", "mean_g_per_min"),
            Column("± 95 %", _half, right=True, wide=True),
            _figure("spread %", "repeatability_pct", wide=True),
            _figure("off %", "deviation_pct", sign=True),
            Column("verdict", _verdict),
        ),
    ),
    "balance": (
        "Balance of the guns",
        (
            _text("setup", "setup"),
            _figure("spread %", "spread_pct"),
            _figure("limit %", "limit_pct", 1),
            _text("furthest off", "off"),
            _word("verdict", "verdict"),
        ),
    ),
    "wear": (
        "Wear",
        (
            _text("gun", "gun"),
            Column("checks", lambda body: str(body["checks"]), right=True),
            _figure("change %", "change_pct", sign=True),
            _text("pattern", "pattern"),
            _figure("limit %", "limit_pct", 1, wide=True),
            Column("due", _due, day=True),
        ),
    ),
    "dispense": (
        "Dispenses",
        (
            Column("gun", lambda body: str(body.get("gun") or "unknown")),
            _text("purpose", "purpose"),
            _figure("open s", "open_s", 3, wide=True),
            _figure("mass g", "mass_g", 3, wide=True),
            _figure("flow g/min", "flow_g_per_min"),
            _word("quality", "quality"),
            Column("id", lambda body: short_id(body["id"])),
            Column("flags", lambda body: ", ".join(body["flags"]) or "-"),
        ),
    ),
    "request": (
        "Checks asked for",
        (
            _text("gun", "gun"),
            _text("setup", "setup"),
            Column("shots", lambda body: str(body["shots"]), right=True),
            _text("why", "why"),
        ),
    ),
}
"""Kinds whose records are figures: title and columns."""


def _needle(body: Body) -> str:
    now, advised = body.get("setting"), body.get("advised")
    if advised is None:
        return ""
    return f"{number(now)} → {number(advised)} {body.get('unit', '')}" if now != advised else ""


def _advice_lines(body: Body) -> list[str]:
    try:
        advice = record_of(body)
    except (KeyError, TypeError, ValueError):
        # Of another version: its own sentence still stands.
        return [body["reason"]]
    if not isinstance(advice, Advice):
        return [body["reason"]]
    # How to turn, then why: the deviation, and how well the knob's effect is known.
    return [told for told in (turn_told(advice), why_turned(advice)) if told]


def _causes(body: Body) -> list[str]:
    if not body["ranked"]:
        return ["taken back: nothing speaks for one any more"]
    return [
        f"{number(100.0 * one['weight'], 0)} %  {one['code']}: {one['look_at']}" for one in body["ranked"]
    ]


STANDING = ("UNACK", "ACKED")
"""States of an alarm that want something done: their text and action are told, the others in a line."""
ENTRIES: dict[str, tuple[str, tuple[Show, ...], Callable[[Body], list[str]]]] = {
    "advice": (
        "Advice for the needle",
        (lambda body: str(body.get("gun") or "-"), _needle),
        _advice_lines,
    ),
    "alert": (
        "Alarms",
        (
            lambda body: str(body["name"]),
            lambda body: f"{body['priority']} priority",
            lambda body: alarm_state(body["state"]),
        ),
        lambda body: [body["text"], f"→ {body['action']}"] if body["state"] in STANDING else [],
    ),
    "cause": ("Probable causes", (lambda body: str(body.get("setup") or ""),), _causes),
    "release": (
        "Release",
        (lambda body: str(body["setup"]), lambda body: word(body["state"])),
        lambda body: [f"{reason['text']} → {reason['remedy']}" for reason in body["reasons"]],
    ),
}
"""Kinds whose records are sentences: title, what stands in the first line, the lines below it."""


def print_history(
    rows: Sequence[Row], kinds: Sequence[str], out: Console, local: LocalTime, nothing: Mapping[str, str]
) -> None:
    """One table or list a kind, oldest first; for a kind with no records `nothing` says why."""
    for kind in kinds:
        mine = [row.payload for row in rows if row.kind == kind]
        title = TABLES[kind][0] if kind in TABLES else ENTRIES[kind][0]
        if not mine:
            out.print(f"{title}: {nothing[kind]}\n")
            continue
        cells = {str(body["cell"]) for body in mine}
        where = f" in cell {cells.pop()}" if len(cells) == 1 else ""
        heading = f"{title}{where} (times in {local.zone})"
        if kind in TABLES:
            _print_table(heading, mine, TABLES[kind][1], out, local, with_cell=not where)
            if kind == "check":
                _tell_pressure(mine, out)
        else:
            _print_entries(heading, kind, mine, out, local, with_cell=not where)


def _tell_pressure(bodies: Sequence[Body], out: Console) -> None:
    members = ("mean_g_per_min", "at_setpoint_g_per_min", "target_g_per_min")
    note = pressure_note(
        (body.get(members[0]), body.get(members[1]), body.get(members[2])) for body in bodies
    )
    if note is not None:
        out.print(Text(f"{note}\n", style="dim"))


def _print_table(
    heading: str,
    bodies: Sequence[Body],
    columns: Sequence[Column],
    out: Console,
    local: LocalTime,
    *,
    with_cell: bool,
) -> None:
    table = Table(
        title=heading, box=box.SIMPLE_HEAD, title_justify="left", pad_edge=False, padding=(0, 1, 0, 0)
    )
    table.add_column("at", no_wrap=True)
    shown = [column for column in columns if out.width >= WIDE or not column.wide]
    if with_cell:
        shown.insert(0, _text("cell", "cell"))
    for column in shown:
        table.add_column(column.name, justify="right" if column.right else "left", overflow="fold")
    for body in bodies:
        table.add_row(local.minute(body["at"]), *(column.cell(body, local) for column in shown))
    out.print(table)
    left_out = [column.name for column in columns if column not in shown]
    if left_out:
        out.print(Text(f"A terminal of {WIDE} columns shows also: {', '.join(left_out)}.\n", style="dim"))


def _print_entries(
    heading: str, kind: str, bodies: Sequence[Body], out: Console, local: LocalTime, *, with_cell: bool
) -> None:
    _, words, lines = ENTRIES[kind]
    out.print(Text(heading, style="italic"))
    for body in bodies:
        first = Text(local.minute(body["at"]))
        for show in ((lambda body: str(body["cell"])), *words) if with_cell else words:
            told = show(body)
            if told:
                first.append("  ").append(told)
        if kind == "release" and body.get("valid_until"):
            first.append(f" until {local.minute(body['valid_until'])}")
        out.print(first)
        for line in lines(body):
            out.print(Padding(Text(local.in_text(line)), (0, 0, 0, 4), expand=False))
    out.print()
