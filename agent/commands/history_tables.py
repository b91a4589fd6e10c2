"""The journal's records as tables in the terminal."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from agent.commands.tables import number, word
from agent.journal.rows import Row

Body = dict[str, Any]
Column = tuple[str, Callable[[Body], str | Text]]


def _at(body: Body) -> str:
    return str(body["at"])[:19].replace("T", " ")


def _half(body: Body) -> str:
    low, high = body.get("low_g_per_min"), body.get("high_g_per_min")
    return number((high - low) / 2.0 if low is not None and high is not None else None)


def _figure(member: str, digits: int = 2, *, sign: bool = False) -> Callable[[Body], str]:
    return lambda body: number(body.get(member), digits, sign=sign)


def _text(member: str) -> Callable[[Body], str]:
    return lambda body: str(body.get(member) or "-")


def _due(body: Body) -> str:
    due = body.get("due")
    return str(due["date"])[:10] if due else "-"


def _word(member: str) -> Callable[[Body], Text]:
    return lambda body: word(str(body.get(member) or "-"))


COLUMNS: dict[str, tuple[str, tuple[Column, ...]]] = {
    "check": (
        "Checks",
        (
            ("at (UTC)", _at),
            ("cell", _text("cell")),
            ("gun", _text("gun")),
            ("setup", _text("setup")),
            ("shots", lambda body: str(len(body["shots"]))),
            ("mean g/min", _figure("mean_g_per_min")),
            ("± 95 %", _half),
            ("spread %", _figure("repeatability_pct")),
            ("off target %", _figure("deviation_pct", sign=True)),
            ("verdict", _word("verdict")),
        ),
    ),
    "balance": (
        "Balance",
        (
            ("at (UTC)", _at),
            ("cell", _text("cell")),
            ("setup", _text("setup")),
            ("spread %", _figure("spread_pct")),
            ("limit %", _figure("limit_pct", 1)),
            ("off", _text("off")),
            ("verdict", _word("verdict")),
        ),
    ),
    "wear": (
        "Wear",
        (
            ("at (UTC)", _at),
            ("cell", _text("cell")),
            ("gun", _text("gun")),
            ("checks", lambda body: str(body["checks"])),
            ("change %", _figure("change_pct", sign=True)),
            ("pattern", _text("pattern")),
            ("limit %", _figure("limit_pct", 1)),
            ("due", _due),
        ),
    ),
    "advice": (
        "Advice",
        (
            ("at (UTC)", _at),
            ("cell", _text("cell")),
            ("gun", _text("gun")),
            ("setting", _figure("setting")),
            ("advised", _figure("advised")),
            ("expected g/min", _figure("expected_g_per_min", 1)),
            ("reason", _text("reason")),
        ),
    ),
    "alert": (
        "Alarms",
        (
            ("at (UTC)", _at),
            ("cell", _text("cell")),
            ("alarm", _text("name")),
            ("priority", _text("priority")),
            ("state", _text("state")),
            ("what", _text("text")),
        ),
    ),
    "cause": (
        "Causes",
        (
            ("at (UTC)", _at),
            ("cell", _text("cell")),
            ("first", lambda body: body["ranked"][0]["code"] if body["ranked"] else "-"),
            ("look at", lambda body: body["ranked"][0]["look_at"] if body["ranked"] else "-"),
        ),
    ),
    "release": (
        "Release",
        (
            ("at (UTC)", _at),
            ("cell", _text("cell")),
            ("setup", _text("setup")),
            ("state", _word("state")),
            ("until", _text("valid_until")),
            ("reasons", lambda body: ", ".join(reason["code"] for reason in body["reasons"]) or "-"),
        ),
    ),
    "dispense": (
        "Dispenses",
        (
            ("at (UTC)", _at),
            ("gun", _text("gun")),
            ("purpose", _text("purpose")),
            ("open s", _figure("open_s", 3)),
            ("mass g", _figure("mass_g", 3)),
            ("flow g/min", _figure("flow_g_per_min")),
            ("quality", _word("quality")),
            ("flags", lambda body: ", ".join(body["flags"]) or "-"),
            ("id", _text("id")),
        ),
    ),
    "request": (
        "Requests",
        (
            ("at (UTC)", _at),
            ("cell", _text("cell")),
            ("gun", _text("gun")),
            ("setup", _text("setup")),
            ("shots", lambda body: str(body["shots"])),
            ("why", _text("why")),
        ),
    ),
}
"""Kind: title and columns."""
RIGHT = {"g/min", "g", "%", "s", "shots", "checks", "setting", "advised"}


def print_history(rows: Sequence[Row], kinds: Sequence[str], out: Console) -> None:
    """One table a kind, oldest first; a kind with no records says so."""
    for kind in kinds:
        title, columns = COLUMNS[kind]
        mine = [row.payload for row in rows if row.kind == kind]
        if not mine:
            out.print(f"{title}: none yet")
            continue
        table = Table(title=title, box=box.SIMPLE_HEAD, title_justify="left", pad_edge=False)
        for name, _ in columns:
            table.add_column(name, justify="right" if name.split()[-1] in RIGHT else "left")
        for body in mine:
            table.add_row(*(value(body) for _, value in columns))
        out.print(table)


def print_shot(row: Row, out: Console) -> None:
    """One dispense: what was measured, and the uncertainty budget (JCGM 100)."""
    body = row.payload
    facts = Table(box=None, show_header=False, pad_edge=False)
    for name in (
        *(
            "id",
            "cell",
            "gun",
            "scale",
            "setup",
            "purpose",
            "started_at",
            "ended_at",
            "open_s",
            "open_s_from",
        ),
        *("mass_g", "u_mass_g", "flow_g_per_min", "u_flow_g_per_min", "dof", "flow_low_g_per_min"),
        *("flow_high_g_per_min", "flow_ml_per_min", "steady_flow_g_per_min", "evaporation_g_per_s"),
        *("pot_pressure_bar", "fluid_c", "quality", "why_rejected", "flags", "n_readings"),
    ):
        value = body.get(name)
        facts.add_row(
            name, ", ".join(value) if isinstance(value, list) else "-" if value is None else str(value)
        )
    out.print(facts)
    table = Table(
        title="Uncertainty budget of the flow (JCGM 100)",
        box=box.SIMPLE_HEAD,
        title_justify="left",
        pad_edge=False,
    )
    for name in ("contribution", "type", "u g/min", "share %", "degrees of freedom", "note"):
        table.add_column(
            name, justify="right" if name in {"u g/min", "share %", "degrees of freedom"} else "left"
        )
    lines = body.get("budget") or []
    total = sum(line["u_g_per_min"] ** 2 for line in lines)
    for line in sorted(lines, key=lambda line: -line["u_g_per_min"]):
        share = 100.0 * line["u_g_per_min"] ** 2 / total if total > 0 else 0.0
        dof = "infinite" if line["dof"] is None else f"{line['dof']:.1f}"
        table.add_row(
            line["source"], line["kind"], number(line["u_g_per_min"], 4), number(share, 1), dof, line["note"]
        )
    out.print(table)
