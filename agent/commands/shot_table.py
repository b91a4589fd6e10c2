"""One dispense in detail: what was measured, and where its uncertainty comes from."""

from __future__ import annotations

from rich import box
from rich.console import Console
from rich.table import Table

from agent.commands.local_time import LocalTime
from agent.commands.tables import number
from agent.journal.rows import Row

MEMBERS = (
    *("id", "cell", "gun", "scale", "setup", "purpose", "started_at", "ended_at", "open_s", "open_s_from"),
    *("mass_g", "u_mass_g", "flow_g_per_min", "u_flow_g_per_min", "dof", "flow_low_g_per_min"),
    *("flow_high_g_per_min", "flow_ml_per_min", "steady_flow_g_per_min", "evaporation_g_per_s"),
    *("pot_pressure_bar", "fluid_c", "quality", "why_rejected", "flags", "n_readings"),
)


def print_shot(row: Row, out: Console, local: LocalTime) -> None:
    """One dispense: what was measured, and the uncertainty budget (JCGM 100)."""
    body = row.payload
    facts = Table(box=None, show_header=False, pad_edge=False)
    for name in MEMBERS:
        value = body.get(name)
        if name in {"started_at", "ended_at"}:
            value = f"{local.second(value)} ({local.zone})"
        shown = ", ".join(value) if isinstance(value, list) else "-" if value is None else str(value)
        facts.add_row(name, shown)
    out.print(facts)
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
        dof = "infinite" if line["dof"] is None else f"{line['dof']:.1f}"
        u = number(line["u_g_per_min"], 4)
        table.add_row(line["source"], line["kind"], u, number(share, 1), dof, line["note"])
    out.print(table)
