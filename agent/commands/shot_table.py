"""One dispense in detail: what was measured, and where its uncertainty comes from."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from rich import box
from rich.console import Console
from rich.table import Table

from agent.commands.local_time import LocalTime
from agent.commands.tables import number
from agent.journal.rows import Row


def print_shot(row: Row, out: Console, local: LocalTime) -> None:
    """One dispense: what was measured, and the uncertainty budget (JCGM 100)."""
    body = row.payload
    facts = Table(box=None, show_header=False, pad_edge=False)
    for name, told in _facts(body, local):
        facts.add_row(name, told)
    out.print(facts)
    out.print()
    if body["quality"] == "rejected" or not body.get("budget"):
        out.print("No uncertainty budget: no flow can be told from its readings.")
        return
    table = Table(
        title="Uncertainty budget of the flow (JCGM 100)",
        box=box.SIMPLE_HEAD,
        title_justify="left",
        pad_edge=False,
    )
    for name in ("contribution", "type", "u g/min", "share %", "deg. of freedom", "note"):
        right = name in {"u g/min", "share %", "deg. of freedom"}
        table.add_column(name, justify="right" if right else "left")
    lines = body.get("budget") or []
    total = sum(line["u_g_per_min"] ** 2 for line in lines)
    for line in sorted(lines, key=lambda line: -line["u_g_per_min"]):
        share = 100.0 * line["u_g_per_min"] ** 2 / total if total > 0 else 0.0
        dof = _freedom(line["dof"])
        u = number(line["u_g_per_min"], 4)
        table.add_row(line["source"], line["kind"], u, number(share, 1), dof, line["note"])
    table.add_section()
    table.add_row("combined", "", number(body.get("u_flow_g_per_min"), 4), number(100.0, 1), *_whole(body))
    out.print(table)


def _whole(body: dict[str, Any]) -> tuple[str, str]:
    """The effective degrees of freedom, and the expanded uncertainty with its coverage factor."""
    dof, u = body.get("dof"), body.get("u_flow_g_per_min")
    low, high = body.get("flow_low_g_per_min"), body.get("flow_high_g_per_min")
    told = _freedom(dof)
    if not u or low is None or high is None:
        return told, "by Welch and Satterthwaite"
    half = 0.5 * (high - low)
    return told, f"by Welch and Satterthwaite; 95 %: U = {number(half, 3)} g/min, k = {number(half / u)}"


def _freedom(dof: float | None) -> str:
    # Student's t of more than a thousand is the normal's to three digits.
    return "infinite" if dof is None else f"{dof:.1f}" if dof < 1000 else "over 1000"


def _facts(body: dict[str, Any], local: LocalTime) -> Iterator[tuple[str, str]]:
    gun = f"gun {body['gun']}" if body.get("gun") else "an unknown gun"
    setup = f" for {body['setup']}" if body.get("setup") else ""
    yield "id", body["id"]
    yield "what", f"{body['purpose']} of {gun} on scale {body['scale']} of cell {body['cell']}{setup}"
    yield "when", f"{local.second(body['started_at'])} to {local.clock(body['ended_at'])} ({local.zone})"
    yield "quality", " ".join([body["quality"].upper(), body.get("why_rejected") or ""]).strip()
    yield "flags", ", ".join(body["flags"]) or "-"
    u_open = _u(body.get("u_open_s"), 3, "s")
    told_by = f"told by the {body['open_s_from']}"
    yield "open", _with_unit(body.get("open_s"), 3, "s", "; ".join(filter(None, (told_by, u_open))))
    u_error = _u(body.get("u_open_error_s"), 3, "s")
    learned = f"{u_error}; longer than told, by shots of different length"
    yield "opening and closing", _with_unit(body.get("open_error_s"), 3, "s", learned)
    yield "mass", _with_unit(body.get("mass_g"), 3, "g", _u(body.get("u_mass_g"), 3, "g"))
    interval = ""
    if body.get("flow_low_g_per_min") is not None and body.get("flow_high_g_per_min") is not None:
        low, high = number(body["flow_low_g_per_min"]), number(body["flow_high_g_per_min"])
        interval = f"; 95 %: {low} to {high}"
    u_flow = f"{_u(body.get('u_flow_g_per_min'), 3, 'g/min')}{interval}"
    yield "flow", _with_unit(body.get("flow_g_per_min"), 3, "g/min", u_flow)
    yield "flow by volume", _with_unit(body.get("flow_ml_per_min"), 2, "ml/min")
    yield "steady flow", _with_unit(body.get("steady_flow_g_per_min"), 2, "g/min", "slope of the ramp")
    evaporation = body.get("evaporation_g_per_s")
    mg_per_s = None if evaporation is None else 1000.0 * evaporation
    yield "evaporation", _with_unit(mg_per_s, 2, "mg/s", "added back")
    yield "pot", _with_unit(body.get("pot_pressure_bar"), 3, "bar")
    yield "fluid", _with_unit(body.get("fluid_c"), 1, "°C")
    yield "readings", str(body["n_readings"])


def _with_unit(value: float | None, digits: int, unit: str, remark: str = "") -> str:
    if value is None:
        return "-"
    # Rounded to nothing it has no sign.
    told = f"{round(value, digits) + 0.0:.{digits}f} {unit}"
    return f"{told} ({remark})" if remark else told


def _u(value: float | None, digits: int, unit: str) -> str:
    return "" if value is None else f"u = {value:.{digits}f} {unit}"
