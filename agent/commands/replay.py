"""`shotgram replay`: recorded messages through the same pipeline as `run`; the clock is the capture's."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from paho.mqtt.client import topic_matches_sub

from agent.commands.configuration import complain, load_or_complain
from agent.commands.local_time import LocalTime
from agent.commands.progress import Advance, progress
from agent.commands.tables import console, dispenses_table, print_results
from agent.contract.plan import Plan
from agent.contract.record_json import to_json
from agent.contract.records import Dispense, Record
from agent.intake.capture import BadLine, read_capture
from agent.intake.decoder import Decoder
from agent.pipeline.pipeline import Pipeline

MOST_TOPICS = 1000
"""So many topics are looked at before a capture counts as another site's."""
PORTION = 64 * 1024
"""Progress is told after so many bytes."""


def configure(parser: argparse.ArgumentParser) -> None:
    """Arguments of `shotgram replay`."""
    parser.add_argument("capture", help="file written by `mosquitto_sub -F %%J`; - is standard input")
    parser.add_argument("--config", type=Path, required=True, metavar="F", help="configuration (TOML)")
    parser.add_argument("--json", action="store_true", help="every record as a line of JSON")
    parser.epilog = """\
examples:
  mosquitto_sub -t 'plant/#' -F %J > capture.jsonl   record a cell until Ctrl-C
  shotgram replay capture.jsonl --config cell.toml   what the agent makes of it
  shotgram replay capture.jsonl --config cell.toml --json | grep '"check"'
  gunzip -c capture.jsonl.gz | shotgram replay - --config cell.toml

The same capture and configuration give the same bytes, every time.
"""


def run(args: argparse.Namespace) -> int:
    """Replay; 0 done, 1 nothing could be read, 2 wrong configuration."""
    site = load_or_complain(args.config)
    if site is None:
        return 2
    replay = Replay(site.plan)
    try:
        with (
            _opened(args.capture) as (lines, size),
            progress("replaying", size, prints=args.json) as advance,
        ):
            told: list[Record] = []
            for record in replay.records(_counted(lines, advance)):
                if args.json:
                    sys.stdout.write(to_json(record) + "\n")
                else:
                    told.append(record)
        if not args.json:
            out = console()
            found = [record for record in told if isinstance(record, Dispense)]
            local = LocalTime(site.plan.timezone)
            if found:
                out.print(dispenses_table(found, "Dispenses", local))
            else:
                out.print("No dispense was found in this capture.")
            print_results(told, out, local)
    except BrokenPipeError:
        raise
    except OSError as fault:
        print(f"shotgram replay: cannot read {args.capture}: {fault.strerror or fault}", file=sys.stderr)
        return 1
    replay.tell_faults()
    return 1 if replay.nothing_read else 0


class Replay:
    """One capture through one pipeline, with a count of what could not be used."""

    def __init__(self, plan: Plan) -> None:
        self._pipeline = Pipeline(plan)
        self._filters = [topic for topic, _ in Decoder(plan).filters()]
        self._first_topic = ""
        self._strange: set[str] = set()
        """Topics that the configuration does not listen to, until there is one that it does."""
        self._is_ours = False
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
            if not self._is_ours:
                self._look_at(item.topic)
            yield from self._pipeline.take(item).records
        yield from self._pipeline.finish().records

    def _look_at(self, topic: str) -> None:
        self._first_topic = self._first_topic or topic
        if topic not in self._strange and len(self._strange) < MOST_TOPICS:
            self._is_ours = any(topic_matches_sub(wanted, topic) for wanted in self._filters)
            self._strange.add(topic)

    def tell_faults(self) -> None:
        """On standard error: lines that were no messages, messages that were refused, a capture of others."""
        if self._messages and not self._is_ours:
            complain(
                f"shotgram replay: nothing in this capture is on a topic of the configuration: it begins "
                f"with {self._first_topic!r}, listened to are {', '.join(self._filters[:3])} and others; "
                "`shotgram check-config` shows them all"
            )
        for line in self._bad_lines:
            print(f"shotgram replay: line {line.number}: {line.fault}", file=sys.stderr)
        if self._bad > len(self._bad_lines):
            print(f"shotgram replay: and {self._bad - len(self._bad_lines)} more such lines", file=sys.stderr)
        for (topic, code), count in self._pipeline.refused().items():
            print(f"shotgram replay: {count} x {code} on {topic}", file=sys.stderr)


@contextmanager
def _opened(name: str) -> Iterator[tuple[Iterator[bytes], float | None]]:
    """The lines, and how many bytes there are where that is known."""
    if name == "-":
        yield iter(sys.stdin.buffer), None
        return
    with Path(name).open("rb") as stream:
        size = os.fstat(stream.fileno()).st_size
        yield iter(stream), float(size) or None


def _counted(lines: Iterator[bytes], advance: Advance) -> Iterator[bytes]:
    read = 0
    for line in lines:
        read += len(line)
        if read >= PORTION:
            advance(read)
            read = 0
        yield line
