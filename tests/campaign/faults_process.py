"""The agent killed at any time and at every step, hung, poisoned, doubled."""

from __future__ import annotations

import random
import signal
import socket
import subprocess
import sys
import time

from rows import Report, Row
from world import HERE, World, strace


def lives_of(world: World) -> int:
    """How often the agent connected."""
    return world.agent.log_text().count("connected to")


def _until_connected(world: World, within_s: float = 20.0) -> None:
    connections, until = lives_of(world), time.monotonic() + within_s
    while lives_of(world) == connections and time.monotonic() < until:
        time.sleep(0.05)


def redelivered(world: World) -> int:
    """How many messages the broker sent to the agent once more (the DUP flag in its log)."""
    return world.broker.log_text.count("Sending PUBLISH to shotgram-edge-7 (d1")


def killed_at_any_time(world: World, report: Report, kills: int) -> Row:
    row = Row("1", "SIGKILL at any time under load", injected=0)
    chance = random.Random(61)
    world.oracle.ask("set", mode="shots", events_per_s=10)
    began = time.monotonic()
    for n in range(kills):
        # Two of three are killed at work, the third while it starts; and now and then it may catch up.
        if n % 3:
            _until_connected(world)
        time.sleep(chance.uniform(0.0, 1.5) if n % 10 else 4.0)
        world.agent.send(signal.SIGKILL)
        row.injected += 1
        world.agent.wait_end(5.0)
    killed = time.monotonic()
    world.oracle.ask("set", mode="rest", events_per_s=0)
    row.alarmed(
        "restarted-uncleanly", world.oracle.ask("alarm", name="restarted-uncleanly", since=began, within_s=40)
    )
    row.recovered(world.online(60.0))
    time.sleep(max(0.0, killed + 26.0 - time.monotonic()))
    row.audited(found := world.audit(), world.verify())
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
    before = redelivered(world)
    for call, paths in (("pwrite64", [wal]), ("fdatasync", [wal]), ("sendto", [])):
        for when in steps:
            world.agent.stop(signal.SIGKILL)
            world.agent.start(strace(f"{call}:signal=KILL:when={when}", *paths))
            world.oracle.ask("set", events_per_s=25)
            ended = world.agent.wait_end(12.0)
            world.oracle.ask("set", events_per_s=0)
            row.injected += ended
    row.recovered(world.online(60.0))
    row.audited(world.audit(), world.verify())
    row.expect("P14-it-bit", row.injected >= len(steps), f"only {row.injected} kills")
    # Redelivered and known: durable before the kill, and not acknowledged.
    report.bites["redelivery"] += redelivered(world) - before
    report.bites["unacknowledged but durable row"] += _durable_unacknowledged(world)
    return row


def _durable_unacknowledged(world: World) -> int:
    """Messages whose event stood in the journal already when the broker sent it again."""
    text = world.broker.log_text
    sent_again = text.count("Sending PUBLISH to shotgram-edge-7 (d1")
    found = world.audit(5.0)
    # Every event is there once although so many came twice: each second copy met a durable row.
    return sent_again if not found["doubled"] else 0


def hung(world: World, _report: Report) -> Row:
    """A piece of work that never returns."""
    row = Row("20a", "worker hangs", injected=1)
    world.agent.stop()
    plain = world.agent.command
    world.agent.command = [sys.executable, str(HERE / "exploding_agent.py")]
    world.agent.env = {"HANGS_ONCE": str(world.folder / "hung")}
    world.agent.start()
    began = time.monotonic()
    world.oracle.ask("event", count=2, reason="hang")
    row.expect("P8-recovers-alone", world.agent.wait_end(35.0), "it did not end itself")
    row.note = f"ended by itself after {time.monotonic() - began:.0f} s"
    began = time.monotonic()
    row.recovered(world.online(60.0))
    row.alarmed("worker-stuck", world.oracle.ask("alarm", name="worker-stuck", since=began, within_s=60))
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
    row.alarmed("worker-stuck", world.oracle.ask("alarm", name="worker-stuck", since=began, within_s=40))
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
        world.agent.send(signal.SIGKILL)
        world.agent.wait_end(5.0)
        world.agent.env = {}
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
    row.alarmed(
        "client-id-taken", world.oracle.ask("alarm", name="client-id-taken", since=began, within_s=30)
    )
    second.kill()
    second.wait()
    row.recovered(world.online(60.0))
    row.note = "what the other one took in between is in its journal: the broker has one session for one id"
    return row
