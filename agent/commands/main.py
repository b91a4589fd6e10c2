"""`shotgram`: one word, one job. Arguments and exit statuses; the work is done in the rooms.

Exit status: 0 done, 1 the work failed, 2 the words or the configuration are wrong, 130 interrupted.
"""

from __future__ import annotations

import argparse
import importlib
import sys
from collections.abc import Sequence

from agent import __version__

COMMANDS: dict[str, tuple[str, str]] = {
    "demo": ("agent.commands.demo", "a simulated shift start from request to release, in this process"),
    "run": ("agent.commands.run", "the agent, headless, until it is told to stop"),
    "check-config": ("agent.commands.check_config", "what is wrong with a configuration, or what it says"),
    "replay": ("agent.commands.replay", "recorded messages through the same pipeline"),
    "simulate": ("simulators.commands", "a simulated cell against any broker"),
    "bridge": ("agent.commands.bridge", "serial scales to MQTT"),
    "history": ("agent.commands.history", "past checks, wear and alarms from the journal"),
    "report": ("agent.commands.report", "a report for people, one HTML file"),
    "doctor": ("agent.commands.doctor", "tries broker, database, disk and clock, and says what to mend"),
}
"""Command, the module that does it (imported only when asked for), one line of help."""

EXAMPLES = """\
examples:
  shotgram demo                                     see the whole job done, no hardware needed
  shotgram check-config config/two-gun-cell.toml    read a configuration back
  shotgram run --config config/two-gun-cell.toml    watch a cell
  shotgram replay capture.jsonl --config F --json   the same records from a recording

A shot sprays solvent from a pressurised pot at the end of a robot. The agent never opens a valve: it asks,
and the controller's own interlocks decide. Local codes, safety data sheets and licensed practice come first.
"""


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit status."""
    words = list(sys.argv[1:] if argv is None else argv)
    chosen = next((word for word in words if not word.startswith("-")), None)
    parser = _parser(chosen)
    args = parser.parse_args(words)
    if args.command is None:
        parser.print_help()
        return 2
    try:
        return int(args.run(args))
    except KeyboardInterrupt:
        return 130
    except BrokenPipeError:
        # The reader of our output (head, less) has seen enough: no fault of the work.
        sys.stderr.close()
        return 0


def _parser(chosen: str | None) -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="shotgram",
        description="Keeps robotic spray guns delivering the flow each job was developed with.",
        epilog=EXAMPLES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"shotgram {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", title="commands")
    for name, (module, line) in COMMANDS.items():
        command = commands.add_parser(
            name, help=line, description=line, formatter_class=argparse.RawDescriptionHelpFormatter
        )
        if name == chosen:
            work = importlib.import_module(module)
            work.configure(command)
            command.set_defaults(run=work.run)
    return parser


if __name__ == "__main__":
    sys.exit(main())
