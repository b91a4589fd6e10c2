"""`shotgram doctor`: tries everything the agent needs and says what to mend. It asks for no shot."""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable, Iterator
from dataclasses import asdict
from pathlib import Path
from typing import TypeAlias

from rich.console import Console
from rich.text import Text

from agent.commands import doctor_database, doctor_here, doctor_line
from agent.commands.configuration import WRONG, load_or_complain
from agent.commands.doctor_finding import Finding
from agent.commands.tables import console, hanging
from agent.settings.site import Site

LISTEN_S = 5.0
WORDS = {"well": ("well", "green"), "note": ("note", "yellow"), "mend": ("MEND", "red")}
EXAMPLES = """\
examples:
  shotgram doctor --config cell.toml                before the first start
  shotgram doctor --config cell.toml --listen 60    is anything coming in?
  shotgram doctor --config cell.toml --json | grep '"mend"'

It writes nothing but a small file beside the journal, which it takes away
again, and asks for no shot. Where the agent runs under a user name or a
certificate of its own, the broker is tried without it: two of one name would
throw each other out.

exit status: 0 all is well, 1 something has to be mended, 2 wrong configuration
"""

Check: TypeAlias = Callable[[Site], Iterator[Finding]]


def configure(parser: argparse.ArgumentParser) -> None:
    """Arguments of `shotgram doctor`."""
    parser.add_argument("--config", type=Path, required=True, metavar="F", help="configuration (TOML)")
    parser.add_argument("--json", action="store_true", help="one line of JSON for each thing tried")
    parser.add_argument(
        "--listen",
        type=float,
        default=LISTEN_S,
        metavar="S",
        help="seconds to listen for input (default %(default)g)",
    )
    parser.epilog = EXAMPLES


def run(args: argparse.Namespace) -> int:
    """Try everything; 0 all is well, 1 something has to be mended, 2 wrong configuration."""
    site = load_or_complain(args.config)
    if site is None:
        return WRONG
    out = console()
    found: list[Finding] = []
    for finding in examine(site, args.listen):
        found.append(finding)
        if args.json:
            print(json.dumps(asdict(finding)), flush=True)
        else:
            _tell(finding, out)
    to_mend = sum(finding.level == "mend" for finding in found)
    if not args.json:
        things = "1 thing" if to_mend == 1 else f"{to_mend} things"
        out.print(Text(f"{things} to mend." if to_mend else "Nothing to mend."))
    return int(to_mend > 0)


def examine(site: Site, listen_s: float) -> Iterator[Finding]:
    """Everything tried, in the order in which one thing needs the other."""
    yield Finding("configuration", "well", f"{site.file} ({site.plan.digest})")
    checks: list[tuple[str, Check]] = [
        ("secrets", doctor_here.secrets),
        ("clock", doctor_here.clock),
        ("disk", doctor_here.disk),
        ("journal", doctor_here.journal),
        ("scales", doctor_here.serial_ports),
        ("broker", lambda site: doctor_line.broker(site, listen_s)),
        ("database", doctor_database.database),
        ("sparkplug", doctor_line.scada),
    ]
    for what, check in checks:
        yield from _safely(what, check(site))


def _tell(finding: Finding, out: Console) -> None:
    word, style = WORDS[finding.level]
    out.print(hanging(Text(f"{finding.what:<14}").append(f"{word:<6}", style=style), Text(finding.text)))
    if finding.mend:
        out.print(hanging(" " * 20, Text(f"→ {finding.mend}")))


def _safely(what: str, findings: Iterator[Finding]) -> Iterator[Finding]:
    try:
        yield from findings
    except Exception as fault:  # noqa: BLE001  one thing that cannot be tried must not hide the others
        yield Finding(what, "mend", f"could not be tried: {type(fault).__name__}: {fault}")
