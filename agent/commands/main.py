"""`shotgram`: one word, one job. Arguments and exit statuses; the work is done in the rooms.

Exit status: 0 done, 1 the work failed, 2 the words or the configuration are wrong, 130 interrupted.
"""

from __future__ import annotations

import importlib
import os
import sys
import textwrap
from collections.abc import Sequence

from agent import __version__
from agent.commands.words import WRONG, Words, near

COMMANDS: dict[str, tuple[str, str]] = {
    "demo": ("agent.commands.demo", "a simulated shift start, from request to release"),
    "run": ("agent.commands.run", "the agent, headless, until it is told to stop"),
    "check-config": ("agent.commands.check_config", "what is wrong with a configuration, or what it says"),
    "doctor": ("agent.commands.doctor", "tries broker, database, disk, clock; says what to mend"),
    "replay": ("agent.commands.replay", "recorded messages through the same pipeline"),
    "history": ("agent.commands.history", "past checks, wear and alarms; imports a paper history"),
    "report": ("agent.commands.report", "a report for people, one HTML file"),
    "bridge": ("agent.commands.bridge", "scales on serial lines to MQTT"),
    "simulate": ("simulators.commands", "a simulated cell against any broker"),
    "completion": ("agent.commands.completion", "a script that completes words in your shell"),
}
"""Command, the module that does it (imported only when asked for), one line of help."""

EXAMPLES = """\
examples:
  shotgram demo                              see the whole job, no hardware needed
  shotgram check-config cell.toml            read a configuration back
  shotgram doctor --config cell.toml         is everything there that it needs?
  shotgram run --config cell.toml            watch a cell
  shotgram history --config cell.toml        what was found until now
  shotgram replay capture.jsonl --config cell.toml --json
  shotgram COMMAND --help                    more of one command, with examples

exit status: 0 done, 1 the work failed, 2 wrong words or configuration,
130 interrupted

A shot sprays solvent from a pressurised pot at the end of a robot. The agent
never opens a valve: it asks, and the controller's own interlocks decide. Local
codes, safety data sheets and licensed practice come first.
"""


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit status."""
    words = list(sys.argv[1:] if argv is None else argv)
    chosen = next((word for word in words if not word.startswith("-")), None)
    if chosen is not None and chosen not in COMMANDS:
        print(f"shotgram: there is no command {chosen!r}{near(chosen, COMMANDS)}", file=sys.stderr)
        print(textwrap.fill(f"commands: {', '.join(COMMANDS)}", 79, break_on_hyphens=False), file=sys.stderr)
        return WRONG
    parser = parser_for([chosen] if chosen is not None else [])
    at = words.index(chosen) if chosen is not None else len(words)
    parser.check_options(words[:at])
    if chosen is not None:
        parser.commands()[chosen].check_options(words[at + 1 :])
    args = parser.parse_args(words)
    if args.command is None:
        parser.print_help()
        return WRONG
    try:
        status = int(args.run(args))
        sys.stdout.flush()
    except KeyboardInterrupt:
        return 130
    except BrokenPipeError:
        # The reader of our output (head, less) has seen enough: no fault of the work. What is still in our
        # buffers goes nowhere, or Python would complain of it at the very end.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    return status


def parser_for(chosen: Sequence[str]) -> Words:
    """The parser of all commands; only the modules of the chosen ones are imported and know their words."""
    parser = Words(
        prog="shotgram",
        description="Keeps robotic spray guns delivering the flow each job was developed with.",
        epilog=EXAMPLES,
    )
    parser.add_argument("--version", action="version", version=f"shotgram {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", title="commands")
    for name, (module, line) in COMMANDS.items():
        command = commands.add_parser(name, help=line, description=f"{line[0].upper()}{line[1:]}.")
        if name in chosen:
            work = importlib.import_module(module)
            work.configure(command)
            command.set_defaults(run=work.run)
    return parser


if __name__ == "__main__":
    sys.exit(main())
