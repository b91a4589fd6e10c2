"""Bytes that the journal writes to the disk: for each shot, for each event, and in an idle hour.

    python tests/benchmarks/journal_bytes.py [FOLDER]

Counted by the kernel (`write_bytes` of /proc/self/io: what is sent to the storage layer, pages of the
write-ahead log and of the file alike), on the file system of FOLDER, which must be a real one. A shot is a
20 s dispense with 30 s of readings at 10 Hz as evidence, its two gun events, and the state that is kept for
a restart. Outlets settle after each shot.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

import numpy as np
from made_records import START_S, make_dispense, make_event

from agent.contract.evidence import Evidence
from agent.journal.journal import Journal
from agent.journal.packing import packed

SHOTS = 400
RATE_HZ = 10.0


def written() -> int:
    """Bytes this process has caused to be sent to the storage layer."""
    for line in Path("/proc/self/io").read_text(encoding="ascii").splitlines():
        if line.startswith("write_bytes:"):
            return int(line.split()[1])
    raise RuntimeError("this kernel does not count bytes written (CONFIG_TASK_IO_ACCOUNTING)")


def shot_readings(number: int) -> Evidence:
    """30 s at 10 Hz: plateau, ramp, plateau, as a scale with 0.1 g and 2 ms of jitter shows it."""
    chance = np.random.default_rng(number)
    t_s = np.round(START_S + 40.0 * number + np.arange(0, 30, 1 / RATE_HZ) + chance.normal(0, 0.002, 300), 3)
    ramp = np.clip((t_s - t_s[0] - 5.0) * 1.6, 0, 32.0) + 500.0 + 32.0 * number
    return Evidence(
        t_s=t_s,
        mass_g=np.round(ramp + chance.normal(0, 0.03, 300), 1),
        stable=None,
        context={"opened_s": float(t_s[50]), "closed_s": float(t_s[250]), "setup": "impeller-barrier"},
    )


def measure(name: str, times: int, work: Callable[[int], object], journal: Journal) -> float:
    """Bytes for each of `times` calls, the copying of the write-ahead log into the file included."""
    journal.database.checkpoint()
    before, begun = written(), time.monotonic()
    for number in range(times):
        work(number)
    journal.database.checkpoint()
    each = (written() - before) / times
    print(f"{name:<58} {each / 1000:8.1f} kB   {1000 * (time.monotonic() - begun) / times:6.1f} ms")
    return each


def main() -> int:
    """Measure and print; exit status 0."""
    parent = sys.argv[1] if len(sys.argv) > 1 else "."
    with tempfile.TemporaryDirectory(dir=parent) as folder:
        journal = Journal.open(Path(folder) / "state", version="0", config_digest="0")
        journal.declare_outlets({"mqtt": "all", "influx": "all"})
        state = bytes(2000)

        def shot(number: int) -> None:
            said = make_dispense(number)
            events = [make_event(2 * number), make_event(2 * number + 1, event="gun_closed")]
            journal.append([said], events, {said.id: shot_readings(number)}, {"cell/north": state})

        def told_shot(number: int) -> None:
            shot(10_000 + number)
            for outlet in ("mqtt", "influx"):
                journal.settle(outlet, journal.last_seq())

        raw = sum(len(packed(shot_readings(n))) for n in range(100)) / 100
        print(
            f"evidence of a shot, 300 readings: {raw / 1000:.2f} kB compressed of {300 * 16 / 1000:.1f} kB\n"
        )
        print(f"{'written to the disk':<58} {'each':>11}   {'took':>9}")
        measure("shot: record, evidence, 2 events, state", SHOTS, shot, journal)
        told = measure("shot as above, settled by two outlets", SHOTS, told_shot, journal)

        def events(first: int, count: int) -> None:
            journal.append(events=[make_event(n) for n in range(first, first + count)])

        single = measure("one event in a commit", SHOTS, lambda n: events(100_000 + n, 1), journal)
        measure("50 events in a commit, all of them", 20, lambda n: events(200_000 + 50 * n, 50), journal)
        before = written()
        for _ in range(60):  # an hour: housekeeping once a minute, outlets looking for work twice a second
            journal.tend()
            for _ in range(120):
                journal.pending("influx", 500)
                journal.pending("mqtt", 500)
        print(f"{'an idle hour':<58} {(written() - before) / 1000:8.1f} kB")
        size = journal.database.path.stat().st_size
        print(f"\nfile: {size / journal.last_seq() / 1000:.2f} kB for each shot")
        day = (100 * told + 2000 * single) / 1e6
        print(f"a cell with 100 shots and 2000 job events in a day: {day:.0f} MB written")
        journal.close()
    return 0


if __name__ == "__main__":
    sys.exit(main())
