"""`shotgram history --import`: a paper history into the journal, all of it or nothing."""

from __future__ import annotations

import argparse
import json
import sys
import time
from dataclasses import asdict
from typing import Any

from rich.text import Text

from agent.assessment.wording import counted
from agent.commands.configuration import WRONG
from agent.commands.paper import BadPaper, read_paper
from agent.commands.paper_records import Imported, imported
from agent.commands.paper_rows import PaperFault
from agent.commands.tables import console, number
from agent.contract.records import Check
from agent.contract.times import epoch_s
from agent.journal.errors import JournalError, JournalLocked
from agent.journal.reading import FILE_NAME, JournalReader
from agent.journal.rows import event_key
from agent.settings.site import Site

MOST_SHOWN = 50
"""Faults that are shown; the rest is counted."""


def run_import(site: Site, args: argparse.Namespace) -> int:
    """Import one file; 0 done, 1 the work failed, 2 the file cannot be used."""
    try:
        data = sys.stdin.buffer.read() if str(args.paper) == "-" else args.paper.read_bytes()
    except OSError as fault:
        print(f"shotgram history: cannot read {args.paper}: {fault.strerror or fault}", file=sys.stderr)
        return 1
    try:
        ignored = [name.lower() for name in args.ignore or ()]
        found = imported(read_paper(data, site.plan, time.time(), ignored))
    except BadPaper as bad:
        _complain(str(args.paper), bad.faults, as_json=args.json)
        return WRONG
    try:
        known = _known(site, found) if args.dry_run else _write(site, found)
    except JournalLocked as fault:
        print(
            f"shotgram history: {fault}\nThe journal has one writer. Stop the agent, import, start it again "
            "(systemctl stop shotgram): it learns from the import when it starts.",
            file=sys.stderr,
        )
        return 1
    except JournalError as fault:
        print(f"shotgram history: nothing was imported: {fault}", file=sys.stderr)
        return 1
    _tell(found, known, args)
    return 0


def _known(site: Site, found: Imported) -> set[str]:
    """What the journal holds already; nothing is written."""
    if not (site.state_dir / FILE_NAME).exists():
        return set()
    with JournalReader.of_folder(site.state_dir) as journal:
        ids = {check.id for check in found.checks if journal.record(check.id) is not None}
        held = {row.id for row in journal.events(kind="part_changed")}
        return ids | {event.event_id for event in found.parts if event_key(event) in held}


def _write(site: Site, found: Imported) -> set[str]:
    from agent.runtime.wiring import journal_of

    journal = journal_of(site)
    try:
        # The broker's retained check of a gun is its latest measured one, not the last one imported.
        journal.declare_outlets({"mqtt": "all"})
        appended = journal.append(found.checks, found.parts)
        rows = [row for check in found.checks if (row := journal.record(check.id)) is not None]
        journal.outlet("mqtt").settle_rows(rows)
    finally:
        journal.close()
    events = {event_key(event): event.event_id for event in found.parts}
    return {*appended.known, *(events[key] for key in appended.known_events)}


def _complain(name: str, faults: tuple[PaperFault, ...], *, as_json: bool) -> None:
    if as_json:
        told: dict[str, Any] = {"ok": False, "file": name, "faults": [asdict(fault) for fault in faults]}
        print(json.dumps(told))
        return
    few = "1 fault" if len(faults) == 1 else f"{len(faults)} faults"
    print(f"{name}: {few}; nothing was imported", file=sys.stderr)
    for fault in faults[:MOST_SHOWN]:
        print(f"  {fault}", file=sys.stderr)
    if len(faults) > MOST_SHOWN:
        print(f"  and {len(faults) - MOST_SHOWN} more", file=sys.stderr)


def _tell(found: Imported, known: set[str], args: argparse.Namespace) -> None:
    new_checks = [check for check in found.checks if check.id not in known]
    new_parts = [event for event in found.parts if event.event_id not in known]
    if args.json:
        told = {
            "ok": True,
            "dry_run": args.dry_run,
            "checks": len(found.checks),
            "parts": len(found.parts),
            "new_checks": len(new_checks),
            "new_parts": len(new_parts),
        }
        print(json.dumps(told))
        return
    out = console()
    verb = "would be imported" if args.dry_run else "imported"
    parts = counted(len(new_parts), "changed part")
    out.print(Text(f"{counted(len(new_checks), 'check')} and {parts} {verb}"))
    if known:
        are = "is" if len(known) == 1 else "are"
        out.print(Text(f"{counted(len(known), 'row')} {are} in the journal already: left as before"))
    for cell, gun in dict.fromkeys((check.cell, check.gun) for check in found.checks):
        mine = [check for check in found.checks if (check.cell, check.gun) == (cell, gun)]
        mine.sort(key=lambda check: epoch_s(check.at))
        worst = max(mine, key=lambda check: abs(check.deviation_pct or 0.0))
        out.print(
            Text(
                f"  {cell}, {gun}: {counted(len(mine), 'check')}, {_days(mine)}, "
                f"at most {number(worst.deviation_pct, 1, sign=True)} % off target ({worst.at[:10]})"
            )
        )
    if not args.dry_run and new_checks:
        out.print(Text("The agent learns wear and needle from them when it starts."))


def _days(checks: list[Check]) -> str:
    first, last = checks[0].at[:10], checks[-1].at[:10]
    return first if first == last else f"{first} to {last}"
