"""How fast, how small: one table, everything in one run on one core, beside yardsticks measured with it.

    python tests/benchmarks/speed.py [--only live,cell,replay,runner] [--profile] [--json OUT]

What is measured is pinned to one core; broker and publisher work on another where there is one. Ratios count
CPU seconds, not time, so that a machine busy with other things changes them little; lags it does change, and
the load average stands in the table.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

import numpy as np
import paho.mqtt.client as paho
import real_parts
from paho.mqtt.enums import CallbackAPIVersion
from parts_found import find_part
from rich.console import Console
from rich.table import Table
from speed_daily import daily
from speed_process import Cores, Pinned, load, loaded, put_first, subject
from speed_replay import replay
from speed_runner import MISSING, Runner
from speed_site import Plant

RATE_HZ = 10.0
WARM_S = 14.0
"""After this the first shots run, and the libraries of the fit are loaded soon after."""


@dataclass
class Row:
    """One line of the table."""

    what: str
    found: str
    asked: str = ""
    ok: bool | None = None


@dataclass
class Bench:
    """What all measurements share."""

    folder: Path
    cores: Cores
    broker: real_parts.Mosquitto
    rows: list[Row] = field(default_factory=list)
    raw: dict[str, Any] = field(default_factory=dict)

    def say(self, what: str, found: str, asked: str = "", ok: bool | None = None) -> None:
        """Put a line into the table, and on the screen at once: a run takes minutes."""
        self.rows.append(Row(what, found, asked, ok))
        print(f"{what}: {found}", flush=True)

    def place(self, name: str) -> Path:
        """A fresh folder."""
        path = self.folder / name
        path.mkdir()
        return path


class Ear:
    """Hears what the agent says, with the time at which it came."""

    def __init__(self, port: int) -> None:
        self.online = threading.Event()
        self.ready = threading.Event()
        self.online_at = 0.0
        self.dispenses: dict[str, float] = {}
        self._client = paho.Client(CallbackAPIVersion.VERSION2, "speed-ear")
        self._client.on_message = self._heard
        self._client.connect("127.0.0.1", port)
        self._client.subscribe(
            [("plant/+/flow/dispense", 1), ("plant/agent/edge-1/state", 1), ("speed/ready", 1)]
        )
        self._client.loop_start()

    def _heard(self, _client: Any, _data: Any, message: paho.MQTTMessage) -> None:
        now_s = time.time()
        if message.topic.endswith("/state"):
            if not message.retain and b'"online"' in message.payload:
                self.online_at = time.monotonic()
                self.online.set()
        elif message.topic == "speed/ready":
            self.ready.set()
        else:
            self.dispenses[json.loads(message.payload)["id"]] = now_s

    def close(self) -> None:
        """Stop listening."""
        self._client.disconnect()
        self._client.loop_stop()


@dataclass
class Live:
    """What one run of the agent under load showed."""

    sent: int
    heard: int
    per_cpu_s: float
    """Messages a CPU second."""
    cpu_s: float
    """CPU seconds of `seconds`."""
    seconds: float
    rss_mb: float
    lags_ms: Any
    publish_ms: Any
    dispenses: int
    threads: dict[str, float]
    """Share of the CPU seconds by thread."""
    written: int
    started_s: float


def run_agent(
    bench: Bench, name: str, scales: int, seconds: float, *, shots: bool = True, how: str = "agent"
) -> Live:
    """The agent under a plant's load; counted once the load runs and the fit's libraries are in."""
    place = bench.place(name)
    config = Plant(scales).write(place, bench.broker.port)
    out = place / "out.json"
    ear = Ear(bench.broker.port)
    process = subject([how, str(config), str(out)], bench.cores.measured, place)
    try:
        if not ear.online.wait(60.0):
            raise RuntimeError(f"the agent did not come:\n{process.log.read_text()[-2000:]}")
        started_s = ear.online_at - process.began_s
        publisher = load(
            bench.broker.port, scales, RATE_HZ, WARM_S + seconds, shots=shots, core=bench.cores.others
        )
        time.sleep(WARM_S)
        written, since_s = process.written_bytes(), time.time()
        told = json.loads(publisher.communicate()[0])
        until_s, written, rss = time.time(), process.written_bytes() - written, process.peak_mb()
        time.sleep(1.0)
        process.stop()
    finally:
        process.process.kill()
        ear.close()
    noted = json.loads(out.read_text())
    messages, cpu, lasted = within(noted["samples"], since_s, until_s)
    lags = np.array([1e3 * lag for t, lag in noted["lags"] if t > since_s])
    delays = [1e3 * (ear.dispenses[i] - t) for i, t in noted["ready"].items() if i in ear.dispenses]
    if told["behind_s"] > 0.2:
        print(f"  (the publisher was up to {told['behind_s']:.1f} s behind)")
    if (lost := told["sent"] + told["events"] - noted["heard"]) > 0:
        print(f"  ({lost} messages lost)")
    return Live(
        sent=int(told["sent"] + told["events"]),
        heard=noted["heard"],
        per_cpu_s=messages / cpu,
        cpu_s=cpu,
        seconds=lasted,
        rss_mb=rss,
        lags_ms=lags,
        publish_ms=np.array(delays),
        dispenses=len(ear.dispenses),
        threads=shares(noted["threads"], since_s, until_s),
        written=written,
        started_s=started_s,
    )


def within(
    samples: list[tuple[float, int, float]], since_s: float, until_s: float
) -> tuple[int, float, float]:
    """Messages handled, CPU seconds and seconds between the first and the last sample in a stretch."""
    inside = [one for one in samples if since_s <= one[0] <= until_s]
    (t0, n0, cpu0), (t1, n1, cpu1) = inside[0], inside[-1]
    return n1 - n0, cpu1 - cpu0, t1 - t0


def shares(samples: list[tuple[float, dict[str, float]]], since_s: float, until_s: float) -> dict[str, float]:
    """Each thread's share of the CPU seconds in a stretch, the largest first."""
    inside = [used for at_s, used in samples if since_s <= at_s <= until_s]
    spent = {name: used - inside[0].get(name, 0.0) for name, used in inside[-1].items()}
    whole = sum(spent.values()) or 1.0
    return {name: s / whole for name, s in sorted(spent.items(), key=lambda one: -one[1]) if s > 0.01 * whole}


def run_count(bench: Bench, name: str, scales: int, seconds: float) -> tuple[float, float]:
    """The bare subscriber under the same load: messages a CPU second, and its memory in MB."""
    place = bench.place(name)
    out = place / "out.json"
    ear = Ear(bench.broker.port)
    process = subject(["count", str(bench.broker.port), str(out)], bench.cores.measured, place)
    try:
        if not ear.ready.wait(30.0):
            raise RuntimeError(f"the counter did not come:\n{process.log.read_text()[-2000:]}")
        publisher = load(
            bench.broker.port, scales, RATE_HZ, 2.0 + seconds, shots=True, core=bench.cores.others
        )
        time.sleep(2.0)
        since_s = time.time()
        told = json.loads(publisher.communicate()[0])
        until_s, rss = time.time(), process.rss_mb()
        process.stop()
    finally:
        process.process.kill()
        ear.close()
    noted = json.loads(out.read_text())
    lost = told["sent"] - noted["heard"]
    if lost > 0:
        print(f"  (the bare subscriber lost {lost} messages)")
    messages, cpu, _ = within(noted["samples"], since_s, until_s)
    return messages / cpu, rss


def live(bench: Bench, how: str) -> None:
    """From one scale to a thousand, and the bare subscriber beside it."""
    grown: list[tuple[int, Live]] = []
    for scales, seconds in ((1, 36.0), (10, 36.0), (100, 36.0), (1000, 60.0)):
        grown.append((scales, run_agent(bench, f"agent-{scales}", scales, seconds, how=how)))
        found = grown[-1][1]
        share = 100 * found.cpu_s / found.seconds
        bench.say(
            f"{scales} scales at 10 Hz",
            f"{share:.1f} % of the core, {found.rss_mb:.0f} MB, {found.per_cpu_s:.0f} messages a CPU s, "
            f"lag p50 {np.median(found.lags_ms):.0f} p99 {np.percentile(found.lags_ms, 99):.0f} ms "
            f"(load {loaded()})",
        )
    most = grown[-1][1]
    bare, bare_mb = run_count(bench, "count-1000", 1000, 30.0)
    bench.say("bare paho subscriber, 1,000 scales", f"{bare:.0f} messages a CPU s, {bare_mb:.0f} MB")
    ratio = most.per_cpu_s / bare
    bench.say("whole agent against the bare subscriber", f"{ratio:.2f}", ">= 0.5", ratio >= 0.5)
    parts = ", ".join(f"{name.partition('-')[0]} {100 * share:.0f} %" for name, share in most.threads.items())
    bench.say("where the agent's CPU goes, by thread (paho: the network)", parts)
    lost = most.sent - most.heard
    bench.say(
        "1,000 scales: messages lost", f"{lost} of {most.sent}, {most.dispenses} dispenses", "0", lost <= 0
    )
    p99 = float(np.percentile(most.lags_ms, 99))
    bench.say("1,000 scales: lag p99", f"{p99:.0f} ms", "<= 100 ms", p99 <= 100)
    bench.say("1,000 scales: memory", f"{most.rss_mb:.0f} MB", "<= 250 MB", most.rss_mb <= 250)
    for (few, a), (many, b) in pairwise(grown):
        cpu = (b.cpu_s / b.seconds) / max(a.cpu_s / a.seconds, 1e-9)
        bench.say(
            f"growth from {few} to {many} scales",
            f"CPU x{cpu:.1f}, memory +{1e3 * (b.rss_mb - a.rss_mb) / (many - few):.0f} kB a scale",
            f"CPU <= x{many / few:.0f}",
            cpu <= 1.1 * many / few,
        )
    delays = np.concatenate([found.publish_ms for _, found in grown[:3]])
    bench.say(
        "last needed reading to the published dispense, to 100 scales",
        f"p50 {np.median(delays):.0f} ms, p99 {np.percentile(delays, 99):.0f} ms, {delays.size} dispenses",
    )
    delays = most.publish_ms
    bench.say(
        "the same at 1,000 scales",
        f"p50 {np.median(delays):.0f} ms, p99 {np.percentile(delays, 99):.0f} ms, {delays.size} dispenses",
    )


def cell(bench: Bench) -> None:
    """One cell, two scales: idle (no shot), active, in daily use, and how soon it listens."""
    starts = []
    for name, shots in (("idle", False), ("active", True)):
        found = run_agent(bench, f"cell-{name}", 2, 40.0, shots=shots)
        starts.append(found.started_s)
        share, rate = 100 * found.cpu_s / found.seconds, found.written / found.seconds
        bench.say(
            f"one cell, {name}",
            f"{share:.2f} % of the core, {found.rss_mb:.0f} MB, {rate / 1e3:.1f} kB/s written "
            f"(load {loaded()})",
            "<= 120 MB",
            found.rss_mb <= 120,
        )
    daily(bench, RATE_HZ)
    place = bench.place("cell-start")
    config = Plant(2).write(place, bench.broker.port)
    for _ in range(5):
        ear = Ear(bench.broker.port)
        process = Pinned(
            [sys.executable, "-m", "agent", "run", "--config", str(config)], bench.cores.measured, place
        )
        ear.online.wait(30.0)
        starts.append(ear.online_at - process.began_s)
        process.stop()
        ear.close()
    best, worst = min(starts), max(starts)
    bench.say(
        "start to subscribed and online, of 7 starts",
        f"{best:.2f} to {worst:.2f} s (load {loaded()})",
        "<= 1.5 s",
        float(np.median(starts)) <= 1.5,
    )


def runner(bench: Bench) -> None:
    """The same sum in a general-purpose flow runner, and ours beside it."""
    if (why := Runner.why_not()) is not None:
        bench.say("flow runner", f"skipped: {why}")
        return
    scales, seconds = 100, 40.0
    place = bench.place("runner")
    theirs = Runner(place, bench.broker.port, bench.cores.measured)
    try:
        theirs.start()
        publisher = load(
            bench.broker.port, scales, RATE_HZ, WARM_S + seconds, shots=True, core=bench.cores.others
        )
        time.sleep(WARM_S)
        cpu = theirs.process.cpu_s()
        told = json.loads(publisher.communicate()[0])
        cpu, mb = theirs.process.cpu_s() - cpu, theirs.process.peak_mb()
        flows = theirs.flows()
    finally:
        theirs.stop()
    their = told["sent"] * seconds / (WARM_S + seconds) / cpu
    ours = run_agent(bench, "runner-ours", scales, seconds)
    bench.say(
        "flow runner (Node-RED), 100 scales",
        f"{their:.0f} messages a CPU s ({1e6 / their:.0f} us each), {mb:.0f} MB, {len(flows)} flows "
        f"of {np.median(flows or [np.nan]):.2f} g/min",
    )
    bench.say(
        "ours, the same load",
        f"{ours.per_cpu_s:.0f} messages a CPU s ({1e6 / ours.per_cpu_s:.0f} us each), {ours.rss_mb:.0f} MB, "
        f"{ours.dispenses} dispenses with uncertainty, journal and alarms",
    )
    bench.say("ours against the flow runner", f"{ours.per_cpu_s / their:.2f} in messages a CPU second")


def main() -> int:
    """Run what was asked for and print the table; 1 where something falls short."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--only", default="cell,replay,live,runner", help="which parts, by commas")
    parser.add_argument("--profile", type=int, metavar="N", help="profile the worker at N scales")
    parser.add_argument("--json", type=Path, help="write the rows here as well")
    args = parser.parse_args()
    program = find_part("mosquitto")
    if program is None:
        print(MISSING, file=sys.stderr)
        return 1
    cores = Cores.found()
    put_first(os.getpid(), cores.others)
    with tempfile.TemporaryDirectory(prefix="speed-") as name:
        folder = Path(name)
        quick = "max_queued_messages 100000\nmax_inflight_messages 0\nset_tcp_nodelay true"
        broker = real_parts.Mosquitto(program, folder / "broker", config=quick, persistent=False)
        broker.start()
        put_first(broker.pid, cores.others)
        bench = Bench(folder, cores, broker)
        parts: dict[str, Callable[[], None]] = {
            "cell": lambda: cell(bench),
            "replay": lambda: replay(bench),
            "live": lambda: live(bench, "agent"),
            "runner": lambda: runner(bench),
        }
        try:
            if args.profile:
                found = run_agent(bench, "profiled", args.profile, 15.0, how="profile")
                print(f"{found.per_cpu_s:.0f} messages a CPU s under the profiler")
                print((folder / "profiled" / "out.profile").read_text())
                return 0
            for part in args.only.split(","):
                parts[part]()
        finally:
            broker.stop()
    print_table(bench)
    if args.json:
        args.json.write_text(json.dumps([row.__dict__ for row in bench.rows], indent=1))
    return 1 if any(row.ok is False for row in bench.rows) else 0


def print_table(bench: Bench) -> None:
    """All rows, for people."""
    table = Table(title=f"Speed and size, on core {bench.cores.measured} of {os.cpu_count()}")
    for title in ("what", "found", "asked", ""):
        table.add_column(title, overflow="fold")
    for row in bench.rows:
        table.add_row(row.what, row.found, row.asked, "" if row.ok is None else "ok" if row.ok else "SHORT")
    Console(width=150).print(table)


if __name__ == "__main__":
    sys.exit(main())
