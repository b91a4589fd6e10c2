"""`shotgram report`: the journal as one HTML file for people."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

from agent.commands.configuration import WRONG, load_or_complain
from agent.journal.errors import JournalError
from agent.journal.reading import JournalReader
from agent.settings.site import Site


def configure(parser: argparse.ArgumentParser) -> None:
    """Arguments of `shotgram report`."""
    parser.add_argument("--config", type=Path, required=True, metavar="F", help="configuration (TOML)")
    parser.add_argument("-o", "--output", type=Path, required=True, metavar="R.html", help="file to write")
    parser.add_argument("--json", action="store_true", help="say what was written as JSON")
    parser.epilog = """\
examples:
  shotgram report --config cell.toml -o monday.html   one file, needs no network
  xdg-open monday.html                                or print it on A4
"""


def run(args: argparse.Namespace) -> int:
    """Write the report; 0 done, 1 the work failed, 2 wrong configuration."""
    site = load_or_complain(args.config)
    if site is None:
        return WRONG
    try:
        write_report(site, args.output)
    except JournalError as fault:
        print(f"shotgram report: {fault}", file=sys.stderr)
        return 1
    except OSError as fault:
        print(f"shotgram report: cannot write {args.output}: {fault.strerror or fault}", file=sys.stderr)
        return 1
    if args.json:
        print(json.dumps({"output": str(args.output), "bytes": args.output.stat().st_size}))
    else:
        print(f"wrote {args.output}")
    return 0


def write_report(site: Site, output: Path) -> None:
    """Write the page of a site's journal. Raises JournalError and OSError."""
    from agent.report.contents import contents_of
    from agent.report.page import page_of

    with JournalReader.of_folder(site.state_dir) as journal:
        page = page_of(contents_of(journal, site.plan))
    output.write_text(page, encoding="utf-8")
