"""The fault campaign: `python tests/campaign/campaign.py [--full] [--group G ...] [--report F]`.

The installed agent as a process, a real Mosquitto, a real VictoriaMetrics behind a proxy, and an oracle in a
process of its own. The short form runs with the tests; the full form, by hand, with `make faults`. Worlds run
beside each other, for they wait most of the time: how often and how many of each stands in `jobs.py`. Root is
needed for the groups `cuts`, `disks` and `line` (they mount small file systems, and a name server's file).
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

import faults_broker
import faults_input
import faults_process
import faults_sink
import faults_standby
import faults_storage
import faults_time
import real_parts
from jobs import FULL, SHORT, Sizes, beside
from rows import Report, Row
from world import World, victoria


class Campaign:
    """Runs groups of faults, one after the other, and collects their rows."""

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

    def run(self, group: str) -> Report:
        """Run a group; where it breaks off, that is a broken row too."""
        try:
            GROUPS[group](self)
        except Exception as fault:  # noqa: BLE001  what was found before is still worth telling
            self._broke_off(group, fault)
        finally:
            self.end_database()
        return self.report

    def row(self, work: Callable[..., Row], *given: object) -> None:
        """One fault; where the campaign itself fails at it, the other faults are still worth running."""
        began = time.monotonic()
        try:
            self.report.rows.append(work(*given))
        except Exception as fault:  # noqa: BLE001  the other faults are still worth running
            self._broke_off(work.__name__, fault)
        row = self.report.rows[-1]
        state = "BROKEN " + "; ".join(row.broken) if row.broken else "ok"
        took = time.monotonic() - began
        print(f"{row.number:>4} {row.fault} ({took:.0f} s): {state}", file=sys.stderr, flush=True)

    def _broke_off(self, what: str, fault: Exception) -> None:
        row = Row("?", what)
        row.expect("P8-recovers-alone", False, f"the campaign broke off: {type(fault).__name__}: {fault}")
        self.report.rows.append(row)

    def kills(self) -> None:
        world = World(self.folder / "kills", database=self.database())
        try:
            world.begin()
            self.row(faults_process.killed_at_any_time, world, self.report, self.sizes.kills, self.sizes.seed)
        finally:
            world.close()

    def steps(self) -> None:
        world = World(self.folder / "steps", database=self.database())
        try:
            world.begin()
            self.row(faults_process.killed_at_each_step, world, self.report, self.sizes.step_numbers())
            self.row(faults_process.two_on_one_journal, world, self.report)
            self.row(faults_process.two_with_one_id, world, self.report)
        finally:
            world.close()

    def hangs(self) -> None:
        world = World(self.folder / "hangs", database=self.database())
        try:
            world.begin()
            self.row(faults_process.hung, world, self.report)
            self.row(faults_process.poisoned, world, self.report)
            self.row(faults_process.stopped, world, self.report)
        finally:
            world.close()

    def io(self) -> None:
        world = World(self.folder / "io", database=self.database())
        try:
            world.begin()
            self.row(faults_storage.io_errors, world, self.report, self.sizes.io_errors, self.sizes.seed)
        finally:
            world.close()

    def storage(self) -> None:
        world = World(self.folder / "storage", database=self.database())
        try:
            world.begin()
            self.row(faults_storage.io_errors_always, world, self.report)
            self.row(faults_storage.slow_card, world, self.report, self.sizes.slow_s)
            self.row(faults_storage.flipped_bit, world, self.report)
            self.row(faults_storage.flipped_bit_backed_up, world, self.report)
            self.row(faults_storage.spoilt_journal, world, self.report)
            steps = [2, 5] if self.sizes.steps < 10 else list(range(1, 12))
            self.row(faults_storage.killed_migration, world, self.report, steps)
        finally:
            world.close()

    def cuts(self) -> None:
        with faults_storage.loop_disk(self.folder / "loop") as (disk, image):
            # Thousands of events wait there while the agent is away, and this broker is never cut: to save
            # them all at each acknowledgement would take longer than the agent takes to recover.
            broker = {"persistent": False}
            world = World(self.folder / "cuts", database=self.database(), broker=broker, state=disk / "state")
            try:
                world.begin()
                self.row(faults_storage.power_cut, world, disk, image, self.sizes.power_cuts, self.sizes.seed)
            finally:
                world.close()

    def disks(self) -> None:
        with faults_storage.loop_disk(self.folder / "loop") as (disk, image):
            world = World(self.folder / "read-only", database=self.database(), state=disk / "state")
            try:
                world.begin()
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
            self.row(faults_sink.lost_replies, world, self.report, self.sizes.lost_s)
        finally:
            world.close()

    def refusals(self) -> None:
        world = World(self.folder / "refusals", database=self.database())
        try:
            world.begin()
            self.row(faults_sink.overloaded, world, self.report, self.sizes.degraded_s)
            self.row(faults_sink.poison_point, world, self.report)
            self.row(faults_sink.unknown_token, world, self.report)
        finally:
            world.close()

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
        finally:
            world.close()

    def narrow(self) -> None:
        world = World(self.folder / "narrow", database=self.database())
        try:
            world.begin()
            self.row(faults_input.flood_narrow, world, self.report, self.sizes.narrow_s)
        finally:
            world.close()
        # A broker that saves all it holds at each acknowledgement takes a minute of its own for this: 65 s of
        # processor time for 10,000 messages, the agent 4 s.
        world = World(self.folder / "storm", database=self.database(), broker={"persistent": False})
        try:
            self.row(faults_input.retained_storm, world, self.report, self.sizes.storm)
        finally:
            world.close()

    def time(self) -> None:
        world = World(self.folder / "time", database=self.database())
        try:
            clock = faults_time.WallClock(self.folder / "clock")
            self.row(faults_time.never_set, world, self.report, clock)
            self.row(
                faults_time.steps_in_a_shot, world, self.report, clock, self.sizes.clock_steps_s(), False
            )
        finally:
            world.close()

    def standby(self) -> None:
        times, seed = self.sizes.takeovers, self.sizes.seed
        self.row(faults_standby.killed, self.folder / "standby-kills", self.report, times, seed)
        self.row(faults_standby.hung, self.folder / "standby-hangs", self.report, times, seed)

    def bare(self) -> None:
        world = World(self.folder / "bare", database=self.database())
        try:
            clock = faults_time.WallClock(self.folder / "clock")
            self.row(faults_time.steps_in_a_shot, world, self.report, clock, self.sizes.clock_steps_s(), True)
        finally:
            world.close()

    def seasons(self) -> None:
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
    "kills": Campaign.kills,
    "steps": Campaign.steps,
    "hangs": Campaign.hangs,
    "io": Campaign.io,
    "storage": Campaign.storage,
    "cuts": Campaign.cuts,
    "disks": Campaign.disks,
    "sink": Campaign.sink,
    "refusals": Campaign.refusals,
    "broker": Campaign.broker,
    "gaps": Campaign.gaps,
    "line": Campaign.line,
    "input": Campaign.input,
    "narrow": Campaign.narrow,
    "time": Campaign.time,
    "standby": Campaign.standby,
    "bare": Campaign.bare,
    "seasons": Campaign.seasons,
}


def one_group(group: str, sizes: Sizes, found: Path) -> int:
    """One world's work, told to the file `found`; logs and journals lie beside it."""
    folder = found.parent
    report = Campaign(folder, sizes).run(group)
    for row in report.rows:
        row.broken = [f"{text} (logs and journals: {folder})" for text in row.broken]
    found.write_text(json.dumps(report.as_dict()))
    return int(report.is_broken)


def main() -> int:
    words = argparse.ArgumentParser(description=__doc__.split("\n\n", maxsplit=1)[0] if __doc__ else None)
    words.add_argument("--group", action="append", choices=list(GROUPS), help="only these; all otherwise")
    words.add_argument("--full", action="store_true", help="the full form")
    words.add_argument("--report", type=Path, help="also write the table here, and beside it as .json")
    words.add_argument("--alone", metavar="SIZES", help=argparse.SUPPRESS)
    asked = words.parse_args()
    if asked.alone is not None:
        return one_group(asked.group[0], Sizes(**json.loads(asked.alone)), asked.report)
    began = time.monotonic()
    report = beside([job for job in (FULL if asked.full else SHORT) if job.group in (asked.group or GROUPS)])
    if not asked.group:
        report.vacuous(("redelivery", "unacknowledged but durable row", "repeated write", "I/O error"))
    text = f"{report.text()}\n\n{len(report.rows)} rows in {(time.monotonic() - began) / 60:.1f} min"
    print(text)
    if asked.report:
        asked.report.parent.mkdir(parents=True, exist_ok=True)
        asked.report.write_text(text + "\n")
        asked.report.with_suffix(".json").write_text(json.dumps(report.as_dict()))
    return int(report.is_broken)


if __name__ == "__main__":
    sys.exit(main())
