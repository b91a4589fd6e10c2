"""The agent killed at any time and at every step, hung, poisoned, doubled."""

from __future__ import annotations

import contextlib
import random
import re
import signal
import socket
import sqlite3
import subprocess
import sys
import time

from rows import Report, Row
from world import HERE, World, strace

SENT = re.compile(r"Sending PUBLISH to shotgram-edge-7 \(d\d, q1, r\d, m(\d+), '([^']*)'")
ACKNOWLEDGED = re.compile(r"Received PUBACK from shotgram-edge-7 \(Mid: (\d+)")


def redelivered(world: World) -> int:
    """How many messages the broker sent to the agent once more (the DUP flag in its log)."""
    return world.broker.log_text.count("Sending PUBLISH to shotgram-edge-7 (d1")


def killed_at_any_time(world: World, report: Report, kills: int, seed: int) -> Row:
    row = Row("1", "SIGKILL at any time under load", injected=0)
    chance = random.Random(seed)
    world.oracle.ask("set", mode="shots", events_per_s=10)
    began = time.monotonic()
    for n in range(kills):
        # Two of three are killed at work, the third while it starts; and now and then it may catch up.
        if n % 3:
            world.connected_again()
        time.sleep(chance.uniform(0.0, 1.5) if n % 10 else 4.0)
        row.injected += world.agent.kill()
    killed = time.monotonic()
    world.oracle.ask("set", mode="rest", events_per_s=0)
    row.alarmed("restarted-uncleanly", world.alarm("restarted-uncleanly", began))
    row.recovered(world.online(60.0))
    time.sleep(max(0.0, killed + 26.0 - time.monotonic()))
    row.audited(found := world.audit(), world.verify())
    row.expect("P14-it-bit", row.injected == kills, f"only {row.injected} of {kills} kills were its end")
    row.note = (
        f"{found['events']} events, {found['records']} records; {found['shots']} shots: "
        f"{found['measured']} measured, {found['declared']} declared as not; "
        f"{redelivered(world)} messages redelivered"
    )
    report.bites["redelivery"] += redelivered(world)
    return row


def killed_at_each_step(world: World, report: Report, steps: list[int]) -> Row:
    """Before and after each write, sync and send: the n-th call of a life kills it."""
    row = Row("2", "SIGKILL at each step of a commit", injected=0)
    wal = world.state / "journal.db-wal"
    again, durable = redelivered(world), 0
    for call, paths in (("pwrite64", [wal]), ("fdatasync", [wal]), ("sendto", [])):
        for when in steps:
            world.agent.stop(signal.SIGKILL)
            ends = world.agent.ends
            world.agent.start(strace(f"{call}:signal=KILL:when={when}", *paths), keep=False)
            world.oracle.ask("set", events_per_s=25)
            row.injected += world.agent.wait_end(ends)
            world.oracle.ask("set", events_per_s=0)
            durable += max(0, _events_in(world) - acknowledged(world))
    world.agent.stop(signal.SIGKILL)
    world.agent.start()
    row.recovered(world.online(60.0))
    row.audited(world.audit(), world.verify())
    # An early call may belong to the start alone, a late one never come.
    row.expect("P14-it-bit", row.injected >= 2 * len(steps), f"only {row.injected} kills")
    row.note = f"{durable} events stood in the journal and were not acknowledged"
    report.bites["redelivery"] += redelivered(world) - again
    report.bites["unacknowledged but durable row"] += durable
    return row


def acknowledged(world: World) -> int:
    """How many of the controller's events the agent has acknowledged to the broker, by the broker's log."""
    sent: set[str] = set()
    count = 0
    for line in world.broker.log_text.splitlines():
        if found := SENT.search(line):
            number, topic = found.groups()
            (sent.add if topic.endswith("/controller/event") else sent.discard)(number)
        elif (found := ACKNOWLEDGED.search(line)) and found[1] in sent:
            sent.discard(found[1])
            count += 1
    return count


def _events_in(world: World) -> int:
    with contextlib.closing(
        sqlite3.connect(f"file:{world.state / 'journal.db'}?mode=ro", uri=True)
    ) as journal:
        kinds = "kind NOT IN ('reply', 'command')"
        return int(journal.execute(f"SELECT count(*) FROM events WHERE {kinds}").fetchone()[0])  # noqa: S608


def hung(world: World, _report: Report) -> Row:
    """A piece of work that never returns."""
    row = Row("20a", "worker hangs", injected=1)
    world.agent.stop()
    plain = world.agent.command
    world.agent.command = [sys.executable, str(HERE / "exploding_agent.py")]
    world.agent.env = {"HANGS_ONCE": str(world.folder / "hung")}
    ends = world.agent.ends
    world.agent.start()
    began = time.monotonic()
    world.oracle.ask("event", count=2, reason="hang")
    row.expect("P8-recovers-alone", world.agent.wait_end(ends), "it did not end itself")
    row.note = f"ended by itself after {time.monotonic() - began:.0f} s"
    began = time.monotonic()
    row.recovered(world.online(60.0))
    row.alarmed("worker-stuck", world.alarm("worker-stuck", began))
    row.audited(world.audit(), world.verify())
    world.agent.stop()
    world.agent.command, world.agent.env = plain, {}
    world.agent.start()
    return row


def poisoned(world: World, _report: Report) -> Row:
    """A message that the rooms cannot bear, redelivered until it is known."""
    row = Row("20b", "exception in the worker at one message", injected=3)
    world.agent.stop()
    plain = world.agent.command
    world.agent.command = [sys.executable, str(HERE / "exploding_agent.py")]
    world.agent.start()
    began = time.monotonic()
    restarts = world.agent.restarts
    ids = world.oracle.ask("event", count=3, reason="explode")
    more = world.oracle.ask("event", count=5)
    row.alarmed("worker-stuck", world.alarm("worker-stuck", began))
    row.recovered(world.online(60.0))
    row.note = f"{world.agent.restarts - restarts} restarts, then set aside"
    found = world.audit(20.0)
    # The messages at fault are in the quarantine and in no other place.
    there = [event_id for event_id in found["lost"] if event_id in ids]
    found["lost"] = [event_id for event_id in found["lost"] if event_id not in ids]
    row.expect("P8-recovers-alone", 1 <= world.agent.restarts - restarts <= 5, "it did not stop restarting")
    row.expect("P1-no-acked-loss", len(there) == 3 and len(more) == 5, "the poison was not set aside")
    row.audited(found, world.verify())
    world.oracle.ask("forget", ids=ids)
    world.agent.stop()
    world.agent.command = plain
    world.agent.start()
    return row


def stopped(world: World, _report: Report) -> Row:
    """The whole process hangs: nothing in it can help, and the service manager must miss its sign of life."""
    row = Row("20c", "process hangs (SIGSTOP), watchdog", injected=1)
    address = world.folder / "notify"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(address))
        manager.settimeout(10.0)
        world.agent.stop()
        world.agent.env = {"NOTIFY_SOCKET": str(address), "WATCHDOG_USEC": "2000000"}
        world.agent.start()
        while b"WATCHDOG=1" not in manager.recv(1000):
            pass
        world.agent.send(signal.SIGSTOP)
        manager.settimeout(0.2)
        fed = 0
        until = time.monotonic() + 4.0
        while time.monotonic() < until:
            try:
                fed += b"WATCHDOG=1" in manager.recv(1000)
            except TimeoutError:
                continue
        row.expect("P8-recovers-alone", fed <= 1, "the watchdog was fed by a hung process")
        # What the service manager does then.
        world.agent.env = {}
        world.agent.kill()
        row.recovered(world.online(60.0))
    world.agent.stop()
    world.agent.start()
    row.audited(world.audit(), world.verify())
    return row


def two_on_one_journal(world: World, _report: Report) -> Row:
    row = Row("26a", "a second agent on the same journal", injected=1)
    second = subprocess.run(
        [sys.executable, "-m", "agent", "run", "--config", str(world.config)],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    row.expect(
        "P12-nobody-else", second.returncode == 1 and "another agent" in second.stderr, second.stderr[-200:]
    )
    row.recovered(world.online(30.0))
    row.audited(world.audit(), world.verify())
    return row


def two_with_one_id(world: World, _report: Report) -> Row:
    """On another machine, so with another journal: the broker gives each message to one of the two."""
    row = Row("26b", "a second agent elsewhere with the same id", injected=1)
    other = world.folder / "other"
    other.mkdir()
    config = other / "site.toml"
    text = world.config.read_text().replace(
        f'state_dir = "{world.state}"', f'state_dir = "{other / "state"}"'
    )
    config.write_text(text.split("[influx]")[0] + "[[setups]]" + text.split("[[setups]]", 1)[1])
    began = time.monotonic()
    with (other / "log").open("wb") as log:
        second = subprocess.Popen(
            [sys.executable, "-m", "agent", "run", "--config", str(config)], stdout=log, stderr=log
        )
    row.alarmed("client-id-taken", world.alarm("client-id-taken", began))
    second.kill()
    second.wait()
    row.recovered(world.online(60.0))
    row.note = "what the other one took in between is in its journal: the broker has one session for one id"
    return row
