"""`shotgram history`: past checks, wear, alarms and advice from the journal; shots in detail; proofs."""

from __future__ import annotations

import argparse
import csv
import sys
from collections.abc import Callable, Sequence
from datetime import date, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from agent.commands.configuration import WRONG, load_or_complain
from agent.commands.history_instead import recompute, refused, shot, verify
from agent.commands.history_tables import print_history
from agent.commands.local_time import LocalTime
from agent.commands.tables import console
from agent.contract.plan import Plan
from agent.journal.errors import JournalError
from agent.journal.reading import JournalReader
from agent.journal.rows import Row

KINDS = ("check", "balance", "wear", "advice", "cause", "release", "alert", "dispense", "request")
OF_A_CELL = ("balance", "cause", "release", "alert")
"""What is said of a cell, whichever of its guns it is about: --gun leaves nothing of it."""
SHOWN = ("check", "balance", "wear", "advice", "alert")
"""What is shown where no kind is asked for."""


EXAMPLES = """\
examples:
  shotgram history --config cell.toml --gun upper --last 50
  shotgram history --config cell.toml --kind dispense --since 2026-05-04
  shotgram history --config cell.toml --shot 4dfc92cb
      one shot and its uncertainty budget, by the beginning of its id
  shotgram history --config cell.toml --kind check --csv > checks.csv
  shotgram history --config cell.toml --verify
  shotgram history --config cell.toml --refused --last 5
      messages that could not be used, and why

a paper history (the agent is stopped meanwhile; all of it or nothing):
  shotgram history --config cell.toml --import paper.csv --dry-run
  shotgram history --config cell.toml --import paper.csv

  the first line of paper.csv names its columns, in any order:
    day       2026-03-02, or 2026-03-02 05:40 on the site's clock
    cell      may be left out where there is one; so may setup
    gun
    setup
    shots     flows of the shots, g/min: 83.9; 84.2; 83.7
    mean, n   where the paper has only their mean (g/min) and number
    setting   of the needle, in the gun's own unit
    pot_bar   pot pressure, bar;  fluid_c   temperature of the fluid
    u_pct     standard uncertainty of the mean, percent, where known
    part      replaced before this check: nozzle, needle, seal or gun
  for example:
    day,gun,shots,setting,part
    2026-01-12,upper,96.3 96.1 96.6,2.0,nozzle
    2026-01-19,upper,96.9 96.4 96.8,2.0,
"""


def configure(parser: argparse.ArgumentParser) -> None:
    """Arguments of `shotgram history`."""
    parser.add_argument("--config", type=Path, required=True, metavar="F", help="configuration (TOML)")
    what = parser.add_argument_group("what to show")
    kinds = f"these records alone, may be repeated: {', '.join(KINDS)}"
    what.add_argument("--kind", choices=KINDS, metavar="KIND", action="append", help=kinds)
    what.add_argument("--cell", help="of this cell alone")
    what.add_argument("--gun", help="of this gun alone")
    what.add_argument("--since", metavar="DAY", help="from this day on (2026-05-04, in the site's time zone)")
    what.add_argument("--last", type=int, default=20, metavar="N", help="the newest N of a kind (default 20)")
    form = parser.add_mutually_exclusive_group()
    form.add_argument("--json", action="store_true", help="whole records, one line of JSON each")
    form.add_argument("--csv", action="store_true", help="one table of plain values, for a spreadsheet")
    other = parser.add_argument_group("instead of the history")
    other.add_argument(
        "--shot",
        metavar="ID",
        help="one dispense with its uncertainty budget; the beginning of its id is enough",
    )
    other.add_argument(
        "--verify", action="store_true", help="has any record been changed, removed or reordered?"
    )
    other.add_argument(
        "--head",
        metavar="N:HASH",
        help="with --verify: what the agent's state topic once told of its journal (health, journal_head)",
    )
    other.add_argument(
        "--recompute", action="store_true", help="every stored shot again from its raw readings"
    )
    other.add_argument(
        "--refused", action="store_true", help="messages that could not be used, and why (the newest N)"
    )
    paper = parser.add_argument_group("bring a paper history in")
    paper.add_argument(
        "--import",
        dest="paper",
        type=Path,
        metavar="CHECKS.csv",
        help="checks and changed parts from a table; - is standard input",
    )
    paper.add_argument("--dry-run", action="store_true", help="say what would be imported, write nothing")
    paper.add_argument(
        "--ignore", action="append", metavar="COLUMN", help="pass over this column; may be repeated"
    )
    parser.epilog = EXAMPLES


def run(args: argparse.Namespace) -> int:
    """Show; 0 done, 1 the work failed or a proof did not hold, 2 wrong words or configuration."""
    site = load_or_complain(args.config)
    if site is None:
        return WRONG
    if args.paper is not None:
        from agent.commands.history_import import run_import

        return run_import(site, args)
    try:
        _check_names(args, site.plan)
    except ValueError as fault:
        print(f"shotgram history: {fault}", file=sys.stderr)
        return WRONG
    work = _work_of(args)
    try:
        with JournalReader.of_folder(site.state_dir) as journal:
            since_s = _since(args.since, site.plan.timezone)
            return work(journal, args, since_s, LocalTime(site.plan.timezone))
    except JournalError as fault:
        print(f"shotgram history: {fault}", file=sys.stderr)
        return 1
    except ValueError as fault:
        print(f"shotgram history: {fault}", file=sys.stderr)
        return WRONG


Work = Callable[[JournalReader, argparse.Namespace, float | None, LocalTime], int]


def _work_of(args: argparse.Namespace) -> Work:
    if args.shot:
        return shot
    if args.verify:
        return verify
    if args.recompute:
        return recompute
    if args.refused:
        return refused
    return _history


def _check_names(args: argparse.Namespace, plan: Plan) -> None:
    """Refuse a cell or gun that the configuration has not: "none yet" would be read as "never checked"."""
    cells = {cell.name for cell in plan.cells} | {"agent"}
    if args.cell is not None and args.cell not in cells:
        raise ValueError(f"no cell {args.cell!r}; there are {', '.join(sorted(cells))}")
    guns = {gun.name for cell in plan.cells for gun in cell.guns if args.cell in {None, cell.name}}
    if args.gun is not None and args.gun not in guns:
        raise ValueError(f"no gun {args.gun!r}; there are {', '.join(sorted(guns))}")
    if args.csv and (args.shot or args.verify or args.recompute or args.refused):
        raise ValueError("--csv is for records; --json goes with --shot, --verify, --recompute and --refused")
    if args.last < 1:
        raise ValueError(f"--last is {args.last}; allowed: 1 or more")


def _history(
    journal: JournalReader, args: argparse.Namespace, since_s: float | None, local: LocalTime
) -> int:
    kinds: Sequence[str] = args.kind or SHOWN
    rows: list[Row] = []
    nothing: dict[str, str] = {}
    for kind in kinds:
        found = journal.records(
            kind, args.cell, args.gun, since_s, args.last, newest_first=True, by_time=True
        )
        rows += reversed(found)
        if not found:
            nothing[kind] = _why_nothing(journal, kind, args)
    if args.json:
        for row in rows:
            print(row.body)
    elif args.csv and rows:
        _print_csv(rows)
    if args.json or args.csv:
        for kind, why in nothing.items():
            print(f"shotgram history: {kind}: {why}", file=sys.stderr)
    else:
        print_history(rows, kinds, console(), local, nothing)
    _tell_faults(journal)
    return 0


def _why_nothing(journal: JournalReader, kind: str, args: argparse.Namespace) -> str:
    """Whether there is nothing of a kind, or only nothing that was asked for."""
    if args.gun is not None and kind in OF_A_CELL:
        return f"told of a whole cell, not of one gun; {journal.how_many(kind, args.cell)} without --gun"
    here = [
        f"of {what} {name}" for what, name in (("cell", args.cell), ("gun", args.gun)) if name is not None
    ]
    whose = f" {' and '.join(here)}" if here else ""
    before = journal.how_many(kind, args.cell, args.gun)
    if before and args.since is None:
        return f"none{whose} that can be read; {before} damaged"
    if before:
        return f"none{whose} since {args.since}; {before} before that day"
    others = journal.how_many(kind)
    if others:
        return f"none{whose} yet; {others} of others"
    return "none yet"


def _print_csv(rows: Sequence[Row]) -> None:
    flat = [_flat(row.payload) for row in rows]
    names = list(dict.fromkeys(name for row in flat for name in row))
    writer = csv.DictWriter(sys.stdout, names, lineterminator="\n")
    writer.writeheader()
    writer.writerows(flat)


def _flat(body: dict[str, Any]) -> dict[str, Any]:
    flat: dict[str, Any] = {}
    for name, value in body.items():
        if isinstance(value, dict):
            flat.update({f"{name}.{inner}": held for inner, held in value.items()})
        elif isinstance(value, list):
            flat[name] = "; ".join(map(_told, value))
        else:
            flat[name] = value
    return flat


TELLING = ("flow_g_per_min", "why", "text", "code", "gun", "source", "id")
"""What stands for an object of a list in a cell of a spreadsheet: the first of these that it has."""


def _told(value: Any) -> str:
    if isinstance(value, dict):
        return str(next((value[name] for name in TELLING if name in value), value))
    return str(value)


def _since(day: str | None, zone: str) -> float | None:
    if day is None:
        return None
    try:
        start = datetime.combine(date.fromisoformat(day), datetime.min.time(), ZoneInfo(zone))
    except ValueError:
        raise ValueError(f"--since is {day!r}; allowed: a day such as 2026-05-04") from None
    return start.timestamp()


def _tell_faults(journal: JournalReader) -> None:
    for fault in journal.take_faults():
        print(f"shotgram history: {fault.text}", file=sys.stderr)
