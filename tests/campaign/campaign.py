"""The fault campaign: `python tests/campaign/campaign.py [--group G ...] [--full] [--report F]`.

The installed agent as a process, a real Mosquitto, a real VictoriaMetrics behind a proxy, and an oracle in a
process of its own. The short form runs with the tests; the full form, by hand, with `make faults`. Root is
needed for the groups `disks` and `line` (they mount small file systems, and a name server's file).
"""

from __future__ import annotations

import argparse
import os
import shutil
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

import faults_broker
import faults_input
import faults_process
import faults_sink
import faults_storage
import faults_time
import real_parts
from rows import Report, Row
from world import World, victoria


@dataclass
class Sizes:
    """How often, and for how long. Each may be set by the environment: SHOTGRAM_FAULTS_KILLS, ..."""

    kills: int = 14
    steps: int = 3
    power_cuts: int = 4
    io_errors: int = 6
    broker_kills: int = 3
    cuts: int = 15
    sink_down_s: float = 75.0
    degraded_s: float = 8.0
    slow_s: float = 40.0
    half_open_s: float = 14.0
    away_s: float = 8.0
    rounds: int = 1
    flood_s: float = 6.0
    flood_per_s: float = 20_000.0
    narrow_s: float = 20.0
    storm: int = 1500
    seasons: int = 1
    stale: int = 1

    @classmethod
    def full(cls) -> Sizes:
        """The form that is run by hand."""
        return cls(
            kills=1000,
            steps=25,
            power_cuts=100,
            io_errors=200,
            broker_kills=50,
            cuts=200,
            sink_down_s=600.0,
            degraded_s=150.0,
            slow_s=120.0,
            half_open_s=60.0,
            away_s=60.0,
            rounds=5,
            flood_s=60.0,
            flood_per_s=50_000.0,
            narrow_s=600.0,
            storm=10_000,
            seasons=6,
            stale=10,
        )

    def clock_steps(self) -> list[float]:
        """Seconds by which the wall clock is set, one in each shot."""
        return [7200.0, -7200.0] * max(1, self.seasons // 2)

    def from_environment(self) -> Sizes:
        """What the environment says counts."""
        for name, value in vars(self).items():
            if text := os.environ.get(f"SHOTGRAM_FAULTS_{name.upper()}"):
                setattr(self, name, type(value)(text))
        return self


class Campaign:
    """Runs groups of faults and collects their rows."""

    def __init__(self, folder: Path, sizes: Sizes) -> None:
        self.folder, self.sizes = folder, sizes
        self.report = Report()
        self._database: real_parts.HttpPart | None = None

    def database(self) -> real_parts.HttpPart:
        """A database of its own for each world: the audit counts its points."""
        self.end_database()
        self._database = victoria(Path(tempfile.mkdtemp(dir=self.folder, prefix="vm-")))
        return self._database

    def end_database(self) -> None:
        """Stop it."""
        if self._database is not None:
            self._database.stop()
            self._database = None

    def run(self, *groups: str) -> Report:
        """Run the groups in order."""
        try:
            for name in groups:
                GROUPS[name](self)
        finally:
            self.end_database()
        return self.report

    def row(self, work: Callable[..., Row], *given: object) -> None:
        """One fault; where the campaign itself fails at it, that is a broken row too."""
        began = time.monotonic()
        try:
            row = work(*given)
        except Exception as fault:  # noqa: BLE001  the other faults are still worth running
            row = Row("?", work.__name__, injected=0)
            row.expect("P8-recovers-alone", False, f"the campaign broke off: {type(fault).__name__}: {fault}")
        self.report.rows.append(row)
        took = time.monotonic() - began
        state = "BROKEN " + "; ".join(row.broken) if row.broken else "ok"
        print(f"{row.number:>4} {row.fault} ({took:.0f} s): {state}", file=sys.stderr, flush=True)

    def process(self) -> None:
        world = World(self.folder / "process", database=self.database())
        try:
            world.begin()
            self.row(faults_process.killed_at_any_time, world, self.report, self.sizes.kills)
            steps = (
                [1, 2, 4, 7, 11, 16][: self.sizes.steps]
                if self.sizes.steps < 10
                else range(1, self.sizes.steps)
            )
            self.row(faults_process.killed_at_each_step, world, self.report, list(steps))
            self.row(faults_process.two_on_one_journal, world, self.report)
            self.row(faults_process.two_with_one_id, world, self.report)
        finally:
            world.close()
        self.report.vacuous(("redelivery", "unacknowledged but durable row"))

    def hangs(self) -> None:
        world = World(self.folder / "hangs", database=self.database())
        try:
            world.begin()
            self.row(faults_process.hung, world, self.report)
            self.row(faults_process.poisoned, world, self.report)
            self.row(faults_process.stopped, world, self.report)
        finally:
            world.close()

    def storage(self) -> None:
        world = World(self.folder / "storage", database=self.database())
        try:
            world.begin()
            self.row(faults_storage.io_errors, world, self.report, self.sizes.io_errors)
            self.row(faults_storage.io_errors_always, world, self.report)
            self.row(faults_storage.slow_card, world, self.report, self.sizes.slow_s)
            self.row(faults_storage.flipped_bit, world, self.report)
            self.row(faults_storage.spoilt_journal, world, self.report)
            steps = [2, 5] if self.sizes.steps < 10 else list(range(1, 12))
            self.row(faults_storage.killed_migration, world, self.report, steps)
        finally:
            world.close()
        self.report.vacuous(("I/O error",))

    def disks(self) -> None:
        with faults_storage.loop_disk(self.folder / "loop") as (disk, image):
            world = World(self.folder / "cuts", database=self.database(), state=disk / "state")
            try:
                world.begin()
                self.row(faults_storage.power_cut, world, self.report, disk, image, self.sizes.power_cuts)
                self.row(faults_storage.read_only, world, self.report, disk, image)
            finally:
                world.close()
        with faults_storage.small_disk(self.folder, 12) as disk:
            world = World(self.folder / "full", database=self.database(), state=disk / "state", free_mb=200)
            try:
                world.begin()
                self.row(faults_storage.disk_full, world, self.report, disk)
            finally:
                world.close()
        with faults_storage.loop_disk(self.folder / "inodes", 24, "-N", "48") as (disk, _image):
            world = World(
                self.folder / "none-left", database=self.database(), state=disk / "state", free_mb=0
            )
            try:
                world.begin()
                self.row(faults_storage.no_inodes, world, self.report, disk)
            finally:
                world.close()

    def sink(self) -> None:
        world = World(self.folder / "sink", database=self.database())
        try:
            world.begin()
            self.row(faults_sink.down, world, self.report, self.sizes.sink_down_s)
            self.row(faults_sink.lost_replies, world, self.report, self.sizes.degraded_s)
            self.row(faults_sink.overloaded, world, self.report, self.sizes.degraded_s)
            self.row(faults_sink.poison_point, world, self.report)
            self.row(faults_sink.unknown_token, world, self.report)
        finally:
            world.close()
        self.report.vacuous(("repeated write",))

    def broker(self) -> None:
        world = World(self.folder / "broker", database=self.database())
        try:
            world.begin()
            self.row(faults_broker.killed, world, self.report, self.sizes.broker_kills)
            self.row(faults_broker.half_open, world, self.report, self.sizes.half_open_s)
            self.row(faults_broker.breaking_line, world, self.report, self.sizes.cuts)
            self.row(faults_broker.forgotten, world, self.report, self.sizes.stale)
        finally:
            world.close()

    def gaps(self) -> None:
        short = {"config": "max_queued_messages 100"}
        world = World(self.folder / "short", database=self.database(), broker=short)
        try:
            world.begin()
            self.row(faults_broker.short_queue, world, self.report, self.sizes.away_s)
        finally:
            world.close()
        acl = self.folder / "acl"
        allow = "topic readwrite #\nuser shotgram\ntopic readwrite yard/#\n"
        deny = "topic readwrite #\nuser shotgram\ntopic read yard/#\ntopic write yard/agent/edge-7/#\n"
        acl.write_text(allow)
        listeners = {"plain": f"allow_anonymous true\nacl_file {acl}"}
        (self.folder / "secret").write_text("none\n")
        (self.folder / "secret").chmod(0o600)
        who = f'keepalive_s = 4\nusername = "shotgram"\npassword_file = "{self.folder / "secret"}"'
        world = World(
            self.folder / "acls", database=self.database(), broker={"listeners": listeners}, mqtt=who
        )
        try:
            world.begin()
            self.row(faults_broker.access_list, world, self.report, allow, deny, acl)
        finally:
            world.close()

    def line(self) -> None:
        for n, case in enumerate(faults_broker.CERTIFICATES):
            self.row(faults_broker.refused_certificate, self.folder / f"tls-{n}", case)
        self.row(faults_broker.no_name, self.folder / "dns")

    def input(self) -> None:
        world = World(self.folder / "input", database=self.database())
        try:
            world.begin()
            self.row(faults_input.malformed, world, self.report, self.sizes.rounds)
            self.row(faults_input.flood, world, self.report, self.sizes.flood_s, self.sizes.flood_per_s)
            self.row(faults_input.flood_narrow, world, self.report, self.sizes.narrow_s)
        finally:
            world.close()
        world = World(self.folder / "storm", database=self.database())
        try:
            self.row(faults_input.retained_storm, world, self.report, self.sizes.storm)
        finally:
            world.close()

    def time(self) -> None:
        world = World(self.folder / "time", database=self.database())
        try:
            clock = faults_time.WallClock(self.folder / "clock")
            self.row(faults_time.never_set, world, self.report, clock)
            self.row(faults_time.steps_in_a_shot, world, self.report, clock, self.sizes.clock_steps(), False)
        finally:
            world.close()
        world = World(self.folder / "bare", database=self.database())
        try:
            clock = faults_time.WallClock(self.folder / "bare-clock")
            self.row(faults_time.steps_in_a_shot, world, self.report, clock, self.sizes.clock_steps(), True)
        finally:
            world.close()
        cases = [
            ("2026-03-29", "06:00"),
            ("2026-10-25", "02:00"),
            ("2026-03-30", "00:00"),
            ("2026-10-25", "06:00"),
            ("2026-03-29", "02:00"),
            ("2026-10-26", "00:00"),
        ]
        for n, (day, starts) in enumerate(cases[: self.sizes.seasons]):
            self.row(faults_time.season, self.folder / f"season-{n}", day, starts)


GROUPS: dict[str, Callable[[Campaign], None]] = {
    "process": Campaign.process,
    "hangs": Campaign.hangs,
    "storage": Campaign.storage,
    "disks": Campaign.disks,
    "sink": Campaign.sink,
    "broker": Campaign.broker,
    "gaps": Campaign.gaps,
    "line": Campaign.line,
    "input": Campaign.input,
    "time": Campaign.time,
}


def main() -> int:
    words = argparse.ArgumentParser(description=__doc__.split("\n\n", maxsplit=1)[0] if __doc__ else None)
    words.add_argument("--group", action="append", choices=list(GROUPS), help="only these; all otherwise")
    words.add_argument("--full", action="store_true", help="the sizes of the full form")
    words.add_argument("--report", type=Path, help="also write the table here")
    words.add_argument("--keep", action="store_true", help="keep the folder of logs and journals")
    asked = words.parse_args()
    sizes = (Sizes.full() if asked.full else Sizes()).from_environment()
    folder = Path(tempfile.mkdtemp(prefix="faults-"))
    began = time.monotonic()
    report = Campaign(folder, sizes).run(*(asked.group or GROUPS))
    text = f"{report.text()}\n\n{len(report.rows)} rows in {(time.monotonic() - began) / 60:.1f} min"
    print(text)
    if asked.report:
        asked.report.write_text(text + "\n")
    broken = any(row.broken for row in report.rows)
    if asked.keep or broken:
        print(f"logs and journals: {folder}")
    else:
        shutil.rmtree(folder, ignore_errors=True)
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main())
