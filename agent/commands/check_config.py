"""`shotgram check-config`: what is wrong with a configuration, or what it was understood to say."""

from __future__ import annotations

import argparse
import json
import sys
import time
from dataclasses import asdict
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from agent.commands.configuration import complain
from agent.contract.plan import Cell, Plan, Shift
from agent.settings.faults import BadConfiguration
from agent.settings.load import load
from agent.settings.site import Site

EPILOG = """\
examples:
  shotgram check-config cell.toml
  shotgram check-config cell.toml --json | jq .cells
  shotgram check-config --schema > config.schema.json
      what editors complete and check with
  shotgram check-config --asyncapi > asyncapi.json
      every topic and payload (AsyncAPI 3.0)

exit status: 0 the file can be used, 2 it cannot
"""


ASKS = "takes requests for checks"
UNTIL_THEN = "Until a cell is commissioned, set its takes_requests to false: then nothing is asked of it."


def configure(parser: argparse.ArgumentParser) -> None:
    """The words of this command."""
    parser.epilog = EPILOG
    parser.add_argument("config", nargs="?", type=Path, metavar="F", help="the configuration (TOML)")
    parser.add_argument("--json", action="store_true", help="faults, or what was understood, as JSON")
    document = parser.add_mutually_exclusive_group()
    document.add_argument(
        "--schema", action="store_true", help="print the JSON Schema of a configuration instead"
    )
    document.add_argument(
        "--asyncapi", action="store_true", help="print the AsyncAPI document of the MQTT contract instead"
    )


def run(args: argparse.Namespace) -> int:
    """Check one file, or print a document; returns the exit status."""
    if args.schema or args.asyncapi:
        print(_document(asyncapi=args.asyncapi))
        return 0
    if args.config is None:
        print("shotgram check-config: name the file to check, or ask for --schema", file=sys.stderr)
        return 2
    try:
        site = load(args.config)
    except BadConfiguration as bad:
        if args.json:
            print(
                _as_json({"ok": False, "file": str(bad.file), "faults": [asdict(one) for one in bad.faults]})
            )
        else:
            complain(str(bad))
        return 2
    if args.json:
        print(_as_json({"ok": True, **understood(site, time.time())}))
    else:
        _tell(understood(site, time.time()))
    return 0


def understood(site: Site, now_s: float) -> dict[str, Any]:
    """What a configuration was understood to say, as plain values; the next start of shifts is after `now_s`.

    There is no secret in it: of secrets only the files are known.
    """
    from agent.intake.decoder import Decoder

    plan = site.plan
    return {
        "file": str(site.file),
        "digest": plan.digest,
        "agent": plan.agent,
        "state_dir": str(site.state_dir),
        "timezone": plan.timezone,
        "broker": f"{site.mqtt.host}:{site.mqtt.port}" + (" with TLS" if site.mqtt.uses_tls else ""),
        "root": plan.root,
        "database": site.influx.url if site.influx is not None else None,
        "alarms_to_people": site.notify.min_priority + " and above" if site.notify is not None else None,
        "scada": _scada(site),
        "page": f"http://{site.page.host}:{site.page.port}" if site.page.enabled else None,
        "health": f"http://{site.health.host}:{site.health.port}" if site.health.enabled else None,
        "setups": [asdict(setup) for setup in plan.setups],
        "fluids": [
            {"name": fluid.name, "kg_per_m3_at_20_c": _at_20_c(fluid.density_table), "source": fluid.source}
            for fluid in plan.fluids
        ],
        "cells": [_cell(cell, plan, now_s) for cell in plan.cells],
        "hears": [
            {"topic": topic, "qos": qos} for topic, qos in Decoder(plan).filters(site.mqtt.readings_qos)
        ],
        "notes": list(site.notes),
    }


def _scada(site: Site) -> str | None:
    if site.sparkplug is None:
        return None
    edge = f"{site.sparkplug.group}/{site.sparkplug.edge or site.plan.agent}"
    at = "the broker above" if site.sparkplug.host is None else f"{site.sparkplug.host}:{site.sparkplug.port}"
    return f"Sparkplug B as {edge} at {at}"


def _cell(cell: Cell, plan: Plan, now_s: float) -> dict[str, Any]:
    return {
        "id": cell.name,
        "controller": _controller(cell),
        "scales": [
            {
                "id": scale.name,
                "resolution_g": scale.resolution_g,
                "capacity_g": scale.capacity_g,
                "accuracy_class": scale.accuracy_class,
                "verification_interval_g": scale.verification_interval_g,
                "u_calibration_pct": 100 * scale.u_calibration_rel,
                "guns": list(cell.guns_on(scale.name)),
            }
            for scale in cell.scales
        ],
        "guns": [
            {
                "id": gun.name,
                "scale": gun.scale,
                "knob": gun.needle.unit,
                "wear_limit_pct": gun.wear_limit_pct,
            }
            for gun in cell.guns
        ],
        "shifts": [
            {
                "name": shift.name,
                "setup": shift.setup,
                "lead_min": shift.lead_min,
                "next_start": next_start(shift, plan.timezone, now_s).isoformat(),
            }
            for shift in cell.shifts
        ],
        "own_inputs": [{"kind": route.kind, "topic": route.topic} for route in cell.inputs],
    }


def _controller(cell: Cell) -> str:
    if not cell.has_controller:
        return "none: shots are found from the scale alone"
    return ASKS if cell.takes_requests else "sends events, takes no requests"


def next_start(shift: Shift, zone: str, now_s: float) -> datetime:
    """The shift's next start after a time, in the site's own zone."""
    from agent.assessment.shift_calendar import starts_s

    local = ZoneInfo(zone)
    today = datetime.fromtimestamp(now_s, local).date()
    # A shift is worked on at least one day of the week: eight days on there is a start.
    starts = (
        starts_s(shift, day, zone)
        for day in (today + timedelta(days=ahead) for ahead in range(9))
        if day.weekday() in shift.days
    )
    first_s = next(start_s for start_s in starts if start_s > now_s)
    return datetime.fromtimestamp(first_s, UTC).astimezone(local)


def _at_20_c(table: tuple[tuple[float, float], ...]) -> float | None:
    import numpy as np

    if not table[0][0] <= 20.0 <= table[-1][0]:
        return None
    temperatures, densities = zip(*table, strict=True)
    return round(float(np.interp(20.0, temperatures, densities)), 2)


def _document(*, asyncapi: bool) -> str:
    if asyncapi:
        from agent.contract.asyncapi import document

        return _as_json(document())
    from agent.settings.configuration import json_schema

    return _as_json(json_schema())


def _as_json(value: Any) -> str:
    return json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False)


def _tell(said: dict[str, Any]) -> None:
    from rich.padding import Padding
    from rich.text import Text

    from agent.commands.local_time import LocalTime
    from agent.commands.tables import console

    out, local = console(), LocalTime(said["timezone"])
    out.print(f"{said['file']} can be used (digest {said['digest']})", soft_wrap=True, markup=False)
    for label, key, without in (
        ("agent", "agent", ""),
        ("state", "state_dir", ""),
        ("time zone", "timezone", ""),
        ("broker", "broker", ""),
        ("topics below", "root", ""),
        ("database", "database", "none: results stay in the journal and on MQTT"),
        ("alarms to people", "alarms_to_people", "none: on MQTT alone"),
        ("SCADA", "scada", "off"),
        ("page", "page", "off"),
        ("health", "health", "off"),
    ):
        out.print(f"  {label:<17} {said[key] or without}", soft_wrap=True, markup=False)
    out.print("Setups")
    for setup in said["setups"]:
        out.print(Text(f"  {setup['name']}"))
        out.print(Padding(Text(_setup_line(setup)), (0, 0, 0, 4), expand=False))
    for cell in said["cells"]:
        out.print(f"Cell {cell['id']}: {cell['controller']}", markup=False)
        out.print(_cell_table(cell))
        for shift in cell["shifts"]:
            out.print(
                f"  shift {shift['name']}: checks {shift['setup']} {shift['lead_min']:g} min before it; "
                f"next {local.minute(shift['next_start'])}",
                soft_wrap=True,
                markup=False,
            )
    out.print("Listens to", markup=False)
    for heard in said["hears"]:
        out.print(f"  {heard['topic']}  (QoS {heard['qos']})", soft_wrap=True, markup=False)
    for note in said["notes"]:
        out.print(f"note: {note}", soft_wrap=True, markup=False)
    asks = [cell["id"] for cell in said["cells"] if cell["controller"] == ASKS and cell["shifts"]]
    if asks:
        from agent.commands.run import CAUTION

        out.print(f"Before a shift it asks for shots in: {', '.join(asks)}", soft_wrap=True, markup=False)
        out.print(Padding(Text(f"{CAUTION} {UNTIL_THEN}"), (0, 0, 0, 2), expand=False))


def _setup_line(setup: dict[str, Any]) -> str:
    pressure = "" if setup["pot_pressure_bar"] is None else f", pot at {setup['pot_pressure_bar']:g} bar"
    bleed = f" after a bleed of {setup['bleed_s']:g} s" if setup["bleed_s"] else ""
    return (
        f"{setup['fluid']}, {setup['target_g_per_min']:g} g/min ± {setup['tolerance_pct']:g} %, guns within "
        f"{setup['balance_pct']:g} % of each other{pressure}; {setup['shots']} shots of {setup['shot_s']:g} s"
        f"{bleed}; a check is good for {setup['valid_h']:g} h"
    )


def _cell_table(cell: dict[str, Any]) -> Any:
    from rich import box
    from rich.table import Table
    from rich.text import Text

    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    for heading in ("scale", "guns"):
        table.add_column(heading)
    for heading in ("resolution g", "capacity g"):
        table.add_column(heading, justify="right")
    table.add_column("its own error")
    for scale in cell["scales"]:
        table.add_row(
            Text(scale["id"]),
            Text(", ".join(scale["guns"]) or "-"),
            f"{scale['resolution_g']:g}",
            f"{scale['capacity_g']:g}",
            _own_error(scale),
        )
    return table


def _own_error(scale: dict[str, Any]) -> str:
    parts = []
    if scale["accuracy_class"] is not None:
        interval = scale["verification_interval_g"] or scale["resolution_g"]
        parts.append(f"class {scale['accuracy_class']}, e = {interval:g} g")
    if scale["u_calibration_pct"]:
        parts.append(f"calibration {scale['u_calibration_pct']:g} %")
    return "; ".join(parts) or "not told: in no uncertainty"
