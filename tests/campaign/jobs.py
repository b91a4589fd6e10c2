"""Which groups of faults run in which form: how often, for how long, and in how many worlds at once."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path

from rows import Report, Row

BUSY = 2 * (os.cpu_count() or 1)
"""So many worlds that restart their agent again and again run at once; the others mostly wait."""

ROOM_BYTES = 1024**3


@dataclass(frozen=True)
class Sizes:
    """How often, and for how long, in one world."""

    kills: int = 25
    steps: int = 6
    power_cuts: int = 34
    io_errors: int = 25
    broker_kills: int = 10
    cuts: int = 15
    sink_down_s: float = 75.0
    lost_s: float = 8.0
    degraded_s: float = 70.0
    slow_s: float = 40.0
    half_open_s: float = 14.0
    away_s: float = 8.0
    rounds: int = 1
    flood_s: float = 4.0
    flood_per_s: float = 10_000.0
    narrow_s: float = 20.0
    storm: int = 600
    clock_steps: int = 2
    seasons: int = 2
    stale: int = 1
    takeovers: int = 2
    seed: int = 1

    def step_numbers(self) -> list[int]:
        """Which calls of a life kill the agent."""
        return [1, 2, 4, 7, 11, 16][: self.steps] if self.steps < 10 else list(range(1, self.steps + 1))

    def clock_steps_s(self) -> list[float]:
        """Seconds by which the wall clock is set, one in each shot."""
        return [7200.0, -7200.0] * (self.clock_steps // 2)


@dataclass(frozen=True)
class Job:
    """One group of faults in so many worlds of its own."""

    group: str
    worlds: int = 1
    sizes: Sizes = field(default_factory=Sizes)
    busy: bool = False
    within_s: float = 900.0


LONG = Sizes(
    kills=125,
    steps=25,
    power_cuts=100,
    io_errors=50,
    broker_kills=25,
    cuts=100,
    sink_down_s=600.0,
    lost_s=60.0,
    degraded_s=150.0,
    slow_s=120.0,
    half_open_s=60.0,
    away_s=60.0,
    rounds=5,
    flood_s=60.0,
    flood_per_s=50_000.0,
    narrow_s=600.0,
    storm=10_000,
    clock_steps=6,
    seasons=6,
    stale=5,
    takeovers=25,
)
# The longest first, so that the rest runs beside them.
SHORT = (
    Job("cuts", 3, busy=True),
    Job("kills", 4, busy=True),
    Job("steps", busy=True),
    Job("io", 2, busy=True),
    *(
        Job(name)
        for name in ("sink", "refusals", "broker", "time", "input", "disks", "line", "storage", "seasons")
    ),
    *(Job(name) for name in ("narrow", "hangs", "bare", "gaps", "standby")),
)
"""100 SIGKILLs, 100 power cuts, 50 I/O errors, 10 kills of the broker, and every other fault."""
FULL = tuple(
    replace(
        job, sizes=LONG, worlds={"kills": 8, "cuts": 5, "io": 4, "broker": 2}.get(job.group, 1), within_s=7200
    )
    for job in SHORT
)
"""1000 SIGKILLs, 500 power cuts, 200 I/O errors, 50 kills of the broker."""


def beside(jobs: Sequence[Job]) -> Report:
    """Run every world as a process of its own; one report of them all.

    Logs and journals of worlds in which a promise was broken are kept; the report says where.
    """
    report = Report()
    folder = Path(tempfile.mkdtemp(prefix="faults-", dir=_roomy()))
    with _leash(folder) as running:
        worlds = [(job, number) for job in jobs for number in range(job.worlds)]
        with ThreadPoolExecutor(BUSY) as busy, ThreadPoolExecutor(len(worlds)) as waiting:
            running_worlds = [
                (busy if job.busy else waiting).submit(_run, job, number, folder, running)
                for job, number in worlds
            ]
            for world in running_worlds:
                report.merge(world.result())
    if not report.is_broken:
        shutil.rmtree(folder, ignore_errors=True)
    return report


def _run(job: Job, number: int, folder: Path, running: set[subprocess.Popen[bytes]]) -> Report:
    own = folder / f"{job.group}-{number}"
    own.mkdir()
    found = own / "found.json"
    sizes = json.dumps(asdict(replace(job.sizes, seed=number + 1)))
    here = Path(__file__).with_name("campaign.py")
    words = [sys.executable, str(here), "--group", job.group, "--alone", sizes, "--report", str(found)]
    environment = {**os.environ, "TMPDIR": str(own)}
    with subprocess.Popen(words, start_new_session=True, env=environment) as process:
        running.add(process)
        try:
            process.wait(job.within_s)
        except subprocess.TimeoutExpired:
            _end(process)
        finally:
            running.discard(process)
    if found.exists():
        return Report.of_dict(json.loads(found.read_text()))
    row = Row("?", f"group {job.group}")
    row.expect(
        "P8-recovers-alone", False, f"the world ended with status {process.returncode} and no report: {own}"
    )
    return Report([row])


def _roomy() -> str:
    """Where the worlds live: in memory where there is much of it, for their syncs would slow down all others.

    To be killed there is the same; the power cuts have a disk of their own, whatever it lies on.
    """
    memory = Path("/dev/shm")  # noqa: S108 - each run makes a folder of its own in it
    with contextlib.suppress(OSError):
        if "TMPDIR" not in os.environ and shutil.disk_usage(memory).free > ROOM_BYTES:
            return str(memory)
    return tempfile.gettempdir()


@contextlib.contextmanager
def _leash(folder: Path) -> Iterator[set[subprocess.Popen[bytes]]]:
    """The processes in this set end with us, however we end, and no disk stays mounted below the folder."""
    running: set[subprocess.Popen[bytes]] = set()

    def leave(number: int, _frame: object) -> None:
        for process in list(running):
            _end(process)
        _unmount_below(folder)
        os._exit(128 + number)

    before = {number: signal.signal(number, leave) for number in (signal.SIGTERM, signal.SIGINT)}
    try:
        yield running
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
        _unmount_below(folder)


def _unmount_below(folder: Path) -> None:
    for line in Path("/proc/mounts").read_text(encoding="utf-8").splitlines():
        where = line.split()[1]
        if where.startswith(f"{folder}/"):
            subprocess.run(["umount", "-l", where], check=False, stderr=subprocess.DEVNULL)


def _end(process: subprocess.Popen[bytes]) -> None:
    # Its children are in its session, and go with it.
    with contextlib.suppress(ProcessLookupError):
        os.killpg(process.pid, signal.SIGKILL)
