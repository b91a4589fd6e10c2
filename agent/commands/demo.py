"""`shotgram demo`: broker, simulated cell and agent in one process, from a request to a released job."""

from __future__ import annotations

import argparse
import logging
import shutil
import sys
import textwrap
import threading
import time
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING

from rich.console import Console
from rich.table import Table
from rich.text import Text

from agent.assessment.desk_following import ALL_WELL
from agent.commands.local_time import LocalTime
from agent.commands.tables import (
    balance_line,
    causes_line,
    checks_table,
    console,
    hanging,
    number,
    release_lines,
    tell_pressure,
    word,
)
from agent.contract.inputs import ControllerEvent
from agent.contract.records import Advice, Balance, Cause, Check, Dispense, Record, Release, Request
from agent.contract.times import rfc3339
from agent.report.words import turn_told
from agent.runtime.clock import BorrowedClock

if TYPE_CHECKING:
    from agent.runtime.agent import RunningAgent
    from agent.runtime.keeping import Batch
    from simulators.link import SimulatedCell

SPEED = 45.0
"""Simulated seconds in one second: as fast as leaves every reading its place on one slow core."""
STARTS_S = datetime(2026, 3, 2, 3, 29, 50, tzinfo=UTC).timestamp()
"""A Monday, 05:29:50 in the demo's time zone: ten seconds before the check is asked for."""
ZONE = "Europe/Helsinki"
"""The demo's time zone: times are told on the clock of its wall."""
LONGEST_S = 60.0
"""Wall time after which the demo gives up."""

OPENING = (
    "A simulated shop: nothing sprays here. In a real one solvents burn, pots are under pressure and robots "
    "move: local codes, safety data sheets and licensed practice come first. The agent never opens a valve; "
    "it asks, and the controller's interlocks decide."
)


EXAMPLES = """\
examples:
  shotgram demo                 ten seconds; then open demo-output/report.html
  shotgram demo --speed 15      slower, to watch it
  shotgram demo --json | head   every record the agent made
  shotgram history --config demo-output/demo.toml    what its journal holds

"""


def configure(parser: argparse.ArgumentParser) -> None:
    """Arguments of `shotgram demo`."""
    parser.add_argument(
        "--out", type=Path, default=Path("demo-output"), metavar="DIR", help="where journal and report go"
    )
    parser.add_argument(
        "--speed", type=float, default=SPEED, metavar="N", help="times real time (default: %(default)g)"
    )
    parser.add_argument("--json", action="store_true", help="every record as a line of JSON, nothing else")
    parser.epilog = EXAMPLES + textwrap.fill(OPENING, 79)


def run(args: argparse.Namespace) -> int:
    """Run the demo; 0 the job was released, 1 it was not."""
    if not 1.0 <= args.speed <= 1000.0:
        print(f"shotgram demo: --speed is {args.speed:g}; allowed: 1 to 1000", file=sys.stderr)
        return 2
    logging.basicConfig(level="ERROR", stream=sys.stderr, format="%(levelname)s %(name)s: %(message)s")
    story = Story(console(), as_json=args.json)
    folder = _fresh(args.out)
    story.say(OPENING)
    released = _play(folder, args.speed, story)
    if story.unheard:
        raise BrokenPipeError
    story.end(folder, released)
    return 0 if released else 1


class Story:
    """Tells what happens while it happens, and the results at the end."""

    def __init__(self, out: Console, *, as_json: bool) -> None:
        self.records: list[Record] = []
        self.released = threading.Event()
        self.unheard = False
        """Whether the reader of our output has gone."""
        self._out = out
        self._as_json = as_json
        self._held_told = False
        self._began_s = time.monotonic()
        self._local = LocalTime(ZONE)

    def say(self, text: str | Text) -> None:
        """A line for people."""
        if not self._as_json:
            self._out.print(text)

    def _say_at(self, at: str, text: str | Text) -> None:
        """A line for people, with its time before it."""
        if not self._as_json:
            self._out.print(hanging(f"{at}  ", text))

    def hear(self, batch: Batch) -> None:
        """What the agent heard and said, in order; in its thread, which no fault of ours may end."""
        if self.unheard:
            return
        try:
            self._hear(batch)
        except BrokenPipeError:
            self.unheard = True
            self.released.set()

    def _hear(self, batch: Batch) -> None:
        for told in batch.events:
            if isinstance(told, ControllerEvent) and told.event == "needle_set":
                at = self._local.clock(rfc3339(told.t_s))
                turned = f"turned the needle of {told.gun} to {number(told.setting)}"
                self._say_at(at, f"the technician (simulated) {turned}")
        for record in batch.records:
            self.records.append(record)
            if self._as_json:
                from agent.contract.record_json import to_json

                print(to_json(record), flush=True)
            else:
                self._tell(record)

    def end(self, folder: Path, released: bool) -> None:
        """The results."""
        if self._as_json:
            return
        self._out.print()
        checks = [record for record in self.records if isinstance(record, Check)]
        first: dict[str, Check] = {}
        for check in checks:
            first.setdefault(check.gun, check)
        self._out.print(checks_table(list(first.values()), "First checks"))
        changed = {check.gun: check for check in checks if first[check.gun] is not check}
        if changed:
            self._out.print(checks_table(list(changed.values()), "After the knob was turned"))
        tell_pressure(checks, self._out)
        for line in _last_words(self.records, self._local):
            self._out.print(line)
        wall_s = time.monotonic() - self._began_s
        self._out.print(f"\nDone in {wall_s:.1f} s. Report: {folder / 'report.html'}")
        if not released:
            self._out.print("The job was not released in time: this demo failed.")

    def _tell(self, record: Record) -> None:
        # A shot is told once the scale has settled; it belongs where it was sprayed.
        at = self._local.clock(record.ended_at if isinstance(record, Dispense) else record.at)
        match record:
            case Request():
                self._say_at(
                    at,
                    f"asked the controller for a check of {record.gun}: {record.shots} shots of "
                    f"{record.shot_s:g} s after a bleed of {record.bleed_s:g} s",
                )
            case Dispense():
                flow = f"{number(record.flow_g_per_min)} g/min"
                flags = f"  [{', '.join(record.flags)}]" if record.flags else ""
                self._say_at(
                    at,
                    f"{record.gun}: {record.purpose} of {number(record.open_s, 1)} s, "
                    f"{number(record.mass_g)} g, {flow}{flags}",
                )
            case Check():
                judged = Text(f"{record.gun}: ").append(word(record.verdict))
                self._say_at(at, judged.append(f"  {record.reason}"))
            case Balance():
                self._say_at(at, balance_line(record))
            case Advice() if record.change:
                self._say_at(at, Text(f"{record.gun}: {turn_told(record)}"))
            case Cause() if record.ranked and record.ranked[0].code != ALL_WELL:
                self._say_at(at, causes_line(record))
            case Release() if record.state == "released":
                self.released.set()
                self._say_at(at, Text(f"{record.setup} is ").append(word("released")))
            case Release() if not self._held_told:
                self._held_told = True
                held = Text(f"{record.setup} is ").append(word("held"))
                self._say_at(at, held.append(" until every gun has passed"))
            case _:
                pass
        if isinstance(record, Release) and record.state == "released":
            self.released.set()


def _last_words(records: Sequence[Record], local: LocalTime) -> list[Text | Table]:
    lines: list[Text | Table] = []
    releases = [record for record in records if isinstance(record, Release)]
    balances = [record for record in records if isinstance(record, Balance)]
    lines += [balance_line(balance) for balance in balances[-1:]]
    for release in releases[-1:]:
        lines += release_lines(release, local)
    return lines


def _fresh(folder: Path) -> Path:
    state = folder / "state"
    if state.exists():
        shutil.rmtree(state)
    folder.mkdir(parents=True, exist_ok=True)
    text = files("agent.commands").joinpath("demo.toml").read_text(encoding="utf-8")
    (folder / "demo.toml").write_text(text, encoding="utf-8")
    return folder


def _play(folder: Path, speed: float, story: Story) -> bool:
    from agent.commands.report import write_report
    from agent.runtime.wiring import agent_of, journal_of
    from agent.settings.load import load
    from simulators.broker import EmbeddedBroker
    from simulators.link import SimulatedCell

    config = folder / "demo.toml"
    site = load(config)
    with EmbeddedBroker() as broker:
        cell = SimulatedCell(
            broker.host,
            broker.port,
            config.read_text(encoding="utf-8"),
            scenario="gun-out-of-balance",
            speed=speed,
            start_s=STARTS_S,
            runs_checks=False,
        )
        here = site.mqtt.model_copy(update={"port": broker.port})
        journal = journal_of(replace(site, mqtt=here))
        try:
            agent = agent_of(replace(site, mqtt=here), journal, BorrowedClock(cell.now_s), story.hear)
            _together(agent, cell, story)
        finally:
            journal.close()
    write_report(site, folder / "report.html")
    return story.released.is_set()


def _together(agent: RunningAgent, cell: SimulatedCell, story: Story) -> None:
    stop = threading.Event()
    fault: list[BaseException] = []

    def work() -> None:
        try:
            agent.run(stop)
        except BaseException as trouble:
            fault.append(trouble)
            story.released.set()
            raise

    worker = threading.Thread(target=work, name="agent")
    with cell:
        worker.start()
        story.released.wait(LONGEST_S)
        # The last records still go out to the broker.
        time.sleep(0.3)
        stop.set()
        worker.join(10.0)
    if fault:
        raise fault[0]
