"""Simulated days through the real process: memory, open files and the journal's size over time.

    python tests/campaign/soak.py [--hours H] [--rate N]

A simulated cell plays its shifts against a real Mosquitto as fast as the agent can follow, on the cell's
clock. After the warm-up memory stays within 5 percent, open files stay the same, and the journal grows by the
events and records that came and no more.
"""

from __future__ import annotations

import argparse
import sqlite3
import statistics
import sys
import tempfile
import threading
import time
from dataclasses import dataclass, field, replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from world import HERE, Agent, real_broker

from simulators.scenarios import Scenario, load_scenario
from simulators.scenarios.staging import build_cell
from simulators.site import bench_text, site_of

START_S = 1_783_051_200.0
"""2026-07-03T04:00:00Z"""
WARM_UP = 0.5
"""Part of the time before memory is watched: rings fill, and wear's libraries load with its first fits."""
GROWTH_PCT = 5.0
BYTES_PER_ROW = 4000.0
"""A record or event in the journal with its index, and a dispense's readings, at most on average."""


@dataclass
class Soaked:
    """What was seen; memory in MB, sizes in bytes."""

    hours: float = 0.0
    messages: int = 0
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
        if not 0.9 * self.shots <= self.measured <= self.shots:
            found.append(f"{self.measured} of {self.shots} shots were measured")
        return found

    def text(self) -> str:
        """In a sentence."""
        return (
            f"{self.hours:.1f} simulated hours, {self.messages} messages: memory {self.memory_mb[-1]:.0f} MB "
            f"({self.growth_pct:+.1f} % after the warm-up), {self.files[-1]} open files, "
            f"{self.rows} rows in {self.journal_bytes / 1e6:.2f} MB, "
            f"{self.measured} of {self.shots} shots measured"
        )


def scenario(hours: float) -> Scenario:
    """Three shifts a day, for so long."""
    story = load_scenario("week-of-shifts")
    times = max(1, int(hours / 8.0))
    return replace(story, steps=tuple(replace(step, times=times) for step in story.steps))


def soak(folder: Path, hours: float, per_s: float) -> Soaked:
    """Play so many hours of the cell, so many messages a second."""
    broker = real_broker(folder / "broker", config="max_queued_messages 0", persistent=False)
    broker.start()
    text = bench_text()
    config = folder / "site.toml"
    config.write_text(text.replace("port = 1883", f"port = {broker.port}\nreadings_qos = 1"))
    assert f"port = {broker.port}" in config.read_text()
    result = Soaked()
    agent = Agent(folder, config)
    agent.command = [sys.executable, str(HERE / "soaking_agent.py"), repr(START_S)]
    cell = build_cell(site_of(text), scenario(hours), None, seed=1, start_s=START_S, runs_checks=True)
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="cell", protocol=MQTTProtocolVersion.MQTTv5)
    client.max_inflight_messages_set(100)
    heard = threading.Event()
    client.on_message = lambda *_: heard.set()
    try:
        client.connect("127.0.0.1", broker.port)
        client.subscribe("plant/agent/+/state", 1)
        client.loop_start()
        agent.start()
        assert heard.wait(60), agent.log_text()[-2000:]
        began, sent, at_s, looked_s = time.monotonic(), 0, START_S, START_S
        while at_s < START_S + 3600.0 * hours:
            at_s += 2.0
            for message in cell.advance(at_s):
                when = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
                when.UserProperty = ("at", repr(message.t_s))
                last = client.publish(message.topic, message.payload, 1, message.retain, when)
                sent += 1
                if sent % 100 == 0:
                    last.wait_for_publish(30.0)
            time.sleep(max(0.0, began + sent / per_s - time.monotonic()))
            if at_s - looked_s > 3600.0 * hours / 200.0:
                looked_s = at_s
                result.memory_mb.append(agent.rss_mb())
                result.files.append(agent.descriptors())
        result.hours, result.messages = hours, sent
        result.shots = len([line for line in cell.truth if line.into == "container"])
        time.sleep(5.0)
        result.restarts = agent.restarts
    finally:
        client.disconnect()
        client.loop_stop()
        agent.stop()
        broker.stop()
    state = folder / "state"
    with sqlite3.connect(f"file:{state / 'journal.db'}?mode=ro", uri=True) as journal:
        for table in ("records", "events"):
            result.rows += journal.execute(f"SELECT count(*) FROM {table}").fetchone()[0]  # noqa: S608
        measured = journal.execute(
            "SELECT count(*) FROM records WHERE kind = 'dispense' AND gun IS NOT NULL"
        ).fetchone()
        result.measured = measured[0]
    journal.close()
    result.journal_bytes = sum(path.stat().st_size for path in state.glob("journal.db*"))
    return result


def main() -> int:
    words = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0] if __doc__ else None)
    words.add_argument("--hours", type=float, default=672.0, help="simulated hours (default 672, four weeks)")
    words.add_argument("--rate", type=float, default=1500.0, help="messages a second (default 1500)")
    asked = words.parse_args()
    with tempfile.TemporaryDirectory(prefix="soak-") as folder:
        result = soak(Path(folder), asked.hours, asked.rate)
    print(result.text())
    for fault in result.faults():
        print(f"FAIL {fault}")
    return 1 if result.faults() else 0


if __name__ == "__main__":
    sys.exit(main())
