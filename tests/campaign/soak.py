"""Simulated days through the real process: memory, open files and the journal's size over time.

    python tests/campaign/soak.py [--hours H] [--speed N]

A simulated cell plays its shifts against a real Mosquitto at speed; the installed agent follows on the cell's
clock. After the warm-up memory stays within 5 percent, open files stay the same, and the journal grows by the
events and records that came and no more.
"""

from __future__ import annotations

import argparse
import sqlite3
import statistics
import sys
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from real_parts import Mosquitto
from world import HERE, Agent, find_part

from simulators.link import SimulatedCell
from simulators.site import bench_text

START_S = 1_783_051_200.0
"""2026-07-03T04:00:00Z"""
WARM_UP = 0.3
"""Part of the time before memory is watched: libraries load, rings fill."""
GROWTH_PCT = 5.0
BYTES_PER_ROW = 4000.0
"""A record or event in the journal with its index, and a dispense's readings, at most on average."""


@dataclass
class Soaked:
    """What was seen; memory in MB, sizes in bytes."""

    hours: float = 0.0
    memory_mb: list[float] = field(default_factory=list)
    files: list[int] = field(default_factory=list)
    rows: int = 0
    journal_bytes: int = 0
    shots: int = 0
    measured: int = 0
    restarts: int = 0

    @property
    def growth_pct(self) -> float:
        """The last quarter's memory against the first quarter after the warm-up, percent."""
        after = self.memory_mb[int(WARM_UP * len(self.memory_mb)) :]
        quarter = max(1, len(after) // 4)
        return 100.0 * (statistics.median(after[-quarter:]) / statistics.median(after[:quarter]) - 1.0)

    def faults(self) -> list[str]:
        """What is not as it should be."""
        found = []
        if self.growth_pct > GROWTH_PCT:
            found.append(f"memory grew by {self.growth_pct:.1f} %")
        late = self.files[int(WARM_UP * len(self.files)) :]
        if max(late) - min(late) > 3:
            found.append(f"open files between {min(late)} and {max(late)}")
        if self.journal_bytes > 500_000 + BYTES_PER_ROW * self.rows:
            found.append(f"the journal holds {self.journal_bytes} bytes for {self.rows} rows")
        if self.restarts:
            found.append(f"{self.restarts} restarts")
        if self.measured < 0.9 * self.shots:
            found.append(f"{self.measured} of {self.shots} shots were measured")
        return found

    def text(self) -> str:
        """In a sentence."""
        return (
            f"{self.hours:.1f} simulated hours: memory {self.memory_mb[-1]:.0f} MB "
            f"({self.growth_pct:+.1f} % after the warm-up), {self.files[-1]} open files, "
            f"{self.rows} rows in {self.journal_bytes / 1e6:.2f} MB, "
            f"{self.measured} of {self.shots} shots measured"
        )


def soak(folder: Path, hours: float, speed: float) -> Soaked:
    """Play so many hours of the cell at a speed."""
    program = find_part("mosquitto")
    assert program, "mosquitto is needed"
    broker = Mosquitto(program, folder / "broker")
    broker.start()
    text = bench_text()
    config = folder / "site.toml"
    config.write_text(text.replace("port = 1883", f"port = {broker.port}"))
    assert f"port = {broker.port}" in config.read_text()
    result = Soaked()
    agent = Agent(folder, config)
    cell = SimulatedCell(
        "127.0.0.1", broker.port, text, scenario="week-of-shifts", speed=speed, start_s=START_S
    )
    try:
        with cell:
            began = time.monotonic() - (cell.now_s() - START_S) / speed
            agent.command = [
                sys.executable, str(HERE / "soaking_agent.py"), repr(began), repr(START_S), repr(speed),
            ]  # fmt: skip
            agent.start()
            while result.hours < hours:
                result.hours = (cell.now_s() - START_S) / 3600.0
                time.sleep(max(0.2, 3600.0 * hours / speed / 200.0))
                result.memory_mb.append(agent.rss_mb())
                result.files.append(agent.descriptors())
            result.shots = len([line for line in cell.truth() if line.into == "container"])
        time.sleep(2.0)
        result.restarts = agent.restarts
    finally:
        agent.stop()
        broker.stop()
    state = folder / "state"
    with sqlite3.connect(f"file:{state / 'journal.db'}?mode=ro", uri=True) as journal:
        for table in ("records", "events"):
            result.rows += journal.execute(f"SELECT count(*) FROM {table}").fetchone()[0]  # noqa: S608
        measured = journal.execute("SELECT count(*) FROM records WHERE kind = 'dispense'").fetchone()
        result.measured = measured[0]
    journal.close()
    result.journal_bytes = sum(path.stat().st_size for path in state.glob("journal.db*"))
    return result


def main() -> int:
    words = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0] if __doc__ else None)
    words.add_argument("--hours", type=float, default=120.0, help="simulated hours (default 120)")
    words.add_argument("--speed", type=float, default=600.0, help="times real time (default 600)")
    asked = words.parse_args()
    with tempfile.TemporaryDirectory(prefix="soak-") as folder:
        result = soak(Path(folder), asked.hours, asked.speed)
    print(result.text())
    for fault in result.faults():
        print(f"FAIL {fault}")
    return 1 if result.faults() else 0


if __name__ == "__main__":
    sys.exit(main())
