"""Processes on chosen cores, and what the kernel counts of them."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

HERE = Path(__file__).parent
TICKS = os.sysconf("SC_CLK_TCK")
FIRST = ("chrt", "--rr", "1") if os.geteuid() == 0 else ()
"""Where we may, what is measured goes before the machine's other work: a lag is the agent's own then."""
PINNED = (*FIRST, "taskset", "-c")


def put_first(pid: int, core: int) -> None:
    """As `PINNED`, for a process that runs already."""
    os.sched_setaffinity(pid, {core})
    if FIRST:
        os.sched_setscheduler(pid, os.SCHED_RR, os.sched_param(1))


@dataclass(frozen=True)
class Cores:
    """One core for what is measured, the others for broker and load."""

    measured: int
    others: int

    @classmethod
    def found(cls) -> Cores:
        """The last core of this machine, and the first; the same where there is only one."""
        able = sorted(os.sched_getaffinity(0))
        return cls(able[-1], able[0])


class Pinned:
    """A child process on one core."""

    def __init__(self, command: Sequence[str], core: int, folder: Path, env: dict[str, str] | None = None):
        self.log = folder / "subject.log"
        self.began_s = time.monotonic()
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                [*PINNED, str(core), *command],
                stdout=log,
                stderr=log,
                cwd=folder,
                env={**os.environ, **(env or {})},
            )
        self.pid = self.process.pid

    def cpu_s(self) -> float:
        """CPU seconds of all its threads so far, the children it waited for left out."""
        fields = Path(f"/proc/{self.pid}/stat").read_text().rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) / TICKS

    def rss_mb(self) -> float:
        """Resident memory, MB (10^6 bytes)."""
        return _line(Path(f"/proc/{self.pid}/status"), "VmRSS:") * 1024 / 1e6

    def peak_mb(self) -> float:
        """The most resident memory it ever had, MB."""
        return _line(Path(f"/proc/{self.pid}/status"), "VmHWM:") * 1024 / 1e6

    def written_bytes(self) -> int:
        """Bytes it caused to be sent to the storage layer."""
        return _line(Path(f"/proc/{self.pid}/io"), "write_bytes:")

    def stop(self, within_s: float = 60.0) -> None:
        """SIGTERM, and wait. Raises RuntimeError with the end of its log where it failed."""
        self.process.send_signal(signal.SIGTERM)
        status = self.process.wait(within_s)
        if status not in (0, -signal.SIGTERM):
            raise RuntimeError(f"{self.process.args!r} ended with {status}:\n{self.log.read_text()[-3000:]}")


def _line(path: Path, name: str) -> int:
    for line in path.read_text().splitlines():
        if line.startswith(name):
            return int(line.split()[1])
    raise RuntimeError(f"{path} has no {name}")


def subject(words: Sequence[str], core: int, folder: Path) -> Pinned:
    """One of the programs in speed_subjects.py."""
    return Pinned([sys.executable, str(HERE / "speed_subjects.py"), *words], core, folder)


def load(
    port: int, scales: int, rate_hz: float, seconds: float, *, shots: bool, core: int
) -> subprocess.Popen[bytes]:
    """The publisher, on its way."""
    words = [str(port), str(scales), str(rate_hz), str(seconds), "1" if shots else "0", str(core)]
    command = [*PINNED, str(core), sys.executable, str(HERE / "speed_load.py"), *words]
    return subprocess.Popen(command, stdout=subprocess.PIPE)


def loaded() -> str:
    """How busy the machine is with other things, for the table."""
    return f"{os.getloadavg()[0]:.1f}"
