"""`shotgram replay`: recorded messages through the same pipeline as `run`; the clock is the capture's."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from agent.commands.configuration import load_or_complain
from agent.commands.tables import console, dispenses_table, print_results
from agent.contract.records import Dispense, Record, to_json
from agent.intake.capture import BadLine, read_capture
from agent.pipeline.pipeline import Pipeline


def configure(parser: argparse.ArgumentParser) -> None:
    """Arguments of `shotgram replay`."""
    parser.add_argument("capture", help="file written by `mosquitto_sub -F %%J`; - is standard input")
    parser.add_argument("--config", type=Path, required=True, metavar="F", help="configuration (TOML)")
    parser.add_argument("--json", action="store_true", help="every record as a line of JSON")
    parser.epilog = (
        "example:\n  mosquitto_sub -t 'plant/#' -F %J > capture.jsonl\n"
        "  shotgram replay capture.jsonl --config config/two-gun-cell.toml"
    )


def run(args: argparse.Namespace) -> int:
    """Replay; 0 done, 1 nothing could be read, 2 wrong configuration."""
    site = load_or_complain(args.config)
    if site is None:
        return 2
    replay = Replay(Pipeline(site.plan))
    try:
        with _opened(args.capture) as lines:
            records = replay.records(lines)
            if args.json:
                for record in records:
                    sys.stdout.write(to_json(record) + "\n")
            else:
                told = list(records)
                out = console()
                found = [record for record in told if isinstance(record, Dispense)]
                out.print(dispenses_table(found, "Dispenses"))
                print_results(told, out)
    except OSError as fault:
        print(f"shotgram replay: cannot read {args.capture}: {fault.strerror or fault}", file=sys.stderr)
        return 1
    replay.tell_faults()
    return 1 if replay.nothing_read else 0


class Replay:
    """One capture through one pipeline, with a count of what could not be used."""

    def __init__(self, pipeline: Pipeline) -> None:
        self._pipeline = pipeline
        self._bad_lines: list[BadLine] = []
        self._bad = 0
        self._messages = 0

    @property
    def nothing_read(self) -> bool:
        """Whether there were lines, and not one of them a message."""
        return self._bad > 0 and self._messages == 0

    def records(self, lines: Iterator[bytes]) -> Iterator[Record]:
        """The records, in order, as the capture goes by."""
        for item in read_capture(lines):
            if isinstance(item, BadLine):
                self._bad += 1
                if len(self._bad_lines) < 5:
                    self._bad_lines.append(item)
                continue
            self._messages += 1
            yield from self._pipeline.take(item).records
        yield from self._pipeline.finish().records

    def tell_faults(self) -> None:
        """On standard error: lines that were no messages, messages that were refused."""
        for line in self._bad_lines:
            print(f"shotgram replay: line {line.number}: {line.fault}", file=sys.stderr)
        if self._bad > len(self._bad_lines):
            print(f"shotgram replay: and {self._bad - len(self._bad_lines)} more such lines", file=sys.stderr)
        for (topic, code), count in self._pipeline.refused().items():
            print(f"shotgram replay: {count} x {code} on {topic}", file=sys.stderr)


@contextmanager
def _opened(name: str) -> Iterator[Iterator[bytes]]:
    if name == "-":
        yield iter(sys.stdin.buffer)
        return
    with Path(name).open("rb") as stream:
        yield iter(stream)
