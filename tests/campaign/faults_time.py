"""Clocks that were never set, that are set in the middle of a dispense, and that change with the season."""

from __future__ import annotations

import datetime
import json
import sqlite3
import struct
import subprocess
import time
from pathlib import Path
from zoneinfo import ZoneInfo

from rows import Report, Row
from world import HERE, World

HELSINKI = ZoneInfo("Europe/Helsinki")
TIMED_OFF = 0.03
BARE_OFF = 0.25
"""Without times of their own, readings are as late as the machine is busy. A step that was followed in the
middle of a shot would show as a flow that is off a thousandfold, or as a dispense that is rejected."""


class WallClock:
    """The agent's wall clock, which we may set while it runs; its monotonic clock stays the machine's."""

    def __init__(self, folder: Path, offset_s: float = 0.0) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.library, self.file = folder / "wall.so", folder / "offset"
        source = HERE.parent / "support" / "wall_shim.c"
        words = ["cc", "-shared", "-fPIC", "-O1", "-o", str(self.library), str(source), "-ldl", "-lm"]
        subprocess.run(words, check=True)
        self.set(offset_s)

    @property
    def env(self) -> dict[str, str]:
        """What the agent has to be started with."""
        return {"LD_PRELOAD": str(self.library), "WALL_OFFSET": str(self.file)}

    def set(self, offset_s: float) -> None:
        """The clock shows the true time and so much more."""
        with self.file.open("r+b" if self.file.exists() else "wb") as file:
            file.write(struct.pack("d", offset_s))


def never_set(world: World, _report: Report, clock: WallClock) -> Row:
    """1970 at boot; events, a kill and a restart in the dark; then the network sets the clock, +56 years."""
    row = Row("22a", "clock 1970 at boot, then +56 years", injected=1)
    world.agent.env = clock.env
    clock.set(30.0 - time.time())
    began = time.monotonic()
    world.agent.start()
    assert world.ready()
    world.oracle.ask("set", mode="rest")
    world.online(20.0)
    world.agent.kill()
    world.online(20.0)
    held, _, sent = _held_and_mended(world)
    row.expect("P11-time", held > 0 and sent == 0, f"{held} records kept back, {sent} sent with a wrong time")
    peak = world.agent.rss_mb()
    row.alarmed("time-unsynced", world.alarm("time-unsynced", began))
    clock.set(0.0)
    back = time.monotonic()
    heard = world.alarm("clock-step", back)
    row.expect("P7-alarmed", heard is not None, "clock-step was not raised")
    row.recovered(world.online(60.0))
    held, mended, _ = _held_and_mended(world)
    row.expect("P11-time", held == 0 and mended > 0, f"{held} records still kept back, {mended} mended")
    row.expect("P11-time", _all_of_today(world), "a point of the database does not stand at its true time")
    grown = world.agent.rss_mb() - peak
    row.expect("P9-bounded", grown < 30.0, f"the step took {grown:.0f} MB")
    row.note = f"{mended} records mended; memory {grown:+.1f} MB over the step"
    row.audited(world.audit(), world.verify())
    return row


def _held_and_mended(world: World) -> tuple[int, int, int]:
    with sqlite3.connect(f"file:{world.state / 'journal.db'}?mode=ro", uri=True) as journal:
        held = journal.execute("SELECT count(*) FROM untrusted").fetchone()[0]
        mended = journal.execute("SELECT count(*) FROM mended").fetchone()[0]
    journal.close()
    stamps = [int(line.rsplit(" ", 1)[1]) for body in world.sink_bodies() for line in body.splitlines()]
    early = sum(stamp < 10**18 for stamp in stamps)
    return held, mended, early


def _all_of_today(world: World) -> bool:
    now_ns = time.time_ns()
    for body in world.sink_bodies():
        for line in body.splitlines():
            if abs(int(line.rsplit(" ", 1)[1]) - now_ns) > 600 * 10**9:
                return False
    return True


def steps_in_a_shot(world: World, _report: Report, clock: WallClock, by_s: list[float], bare: bool) -> Row:
    """The wall clock steps by hours while a gun is open; with `bare` no message carries a time of its own."""
    row = Row("22c" if bare else "22b", "clock steps in the middle of a shot" + (", no `t`" if bare else ""))
    world.agent.env = clock.env
    if bare:
        world.begin()
    began = time.monotonic()
    offset = 0.0
    world.oracle.ask("set", bare_times=bare, mode="shots", events_per_s=0)
    for step_s in by_s:
        shots = world.oracle.ask("counts")["shots"]
        while not world.oracle.ask("open"):
            time.sleep(0.05)
        time.sleep(1.0)
        offset += step_s
        clock.set(offset)
        row.injected += 1
        while world.oracle.ask("counts")["shots"] == shots:
            time.sleep(0.1)
        world.oracle.ask("set", mode="rest")
        # It is followed when nothing is being measured any more.
        heard = world.alarm("clock-step", began)
        row.alarmed("clock-step", heard) if not row.alarm else None
        time.sleep(3.0)
        world.oracle.ask("set", mode="shots")
    world.oracle.ask("set", mode="rest")
    clock.set(0.0)
    time.sleep(3.0)
    row.recovered(world.online(60.0))
    until = time.monotonic() + 25.0
    while len(flows := world.oracle.ask("flows")) < len(by_s) and time.monotonic() < until:
        time.sleep(0.5)
    flows = flows[-len(by_s) :]
    good = [flow for flow, quality in flows if quality != "rejected"]
    # A busy machine may spoil one for other reasons: then it is rejected.
    row.expect("P11-time", bool(good) and len(flows) == len(by_s), f"{flows}")
    off = max((abs(flow / world.oracle.ask("truth") - 1) for flow in good), default=1.0)
    row.expect("P3-no-wrong-number", off < (BARE_OFF if bare else TIMED_OFF), f"off by {100 * off:.1f} %")
    row.note = f"{len(good)} measured, within {100 * off:.2f} % of the truth"
    row.expect("P13-sound-journal", world.verify() == "", "the chain is broken")
    return row


def season(folder: Path, day: str, starts: str, lead_min: int = 30) -> Row:
    """A shift's check is asked for once, over a restart and a clock that steps around the moment."""
    row = Row("23", f"summer time: {day}, shift at {starts}", injected=1)
    world = World(folder / "w", shift=(starts, lead_min))
    try:
        clock = WallClock(folder / "clock")
        start = datetime.datetime.fromisoformat(f"{day}T{starts}:00").replace(tzinfo=HELSINKI)
        opens_s = start.timestamp() - 60.0 * lead_min
        clock.set(opens_s - 1800.0 - time.time())
        world.agent.env = clock.env
        world.begin()
        world.oracle.ask("set", mode="rest")
        clock.set(opens_s - 6.0 - time.time())
        time.sleep(3.0)
        early = _requests(world)
        time.sleep(10.0)
        first = _requests(world)
        world.agent.kill()
        world.ready()
        time.sleep(3.0)
        clock.set(opens_s - 3600.0 - time.time())
        time.sleep(4.0)
        clock.set(opens_s + 20.0 - time.time())
        time.sleep(6.0)
        last = _requests(world)
        row.injected = 3
        row.expect("P11-time", early == 0, "asked for too early")
        row.expect("P11-time", first == 1, f"{first} requests at the moment")
        row.expect("P11-time", last == 1, f"{last} requests after restart and steps")
        row.recovered(0.0 if last == 1 else None)
        row.recovered_s = None
        row.note = f"{last} request for the shift of {start.isoformat()}, over a kill, -1 h and +1 h"
    finally:
        world.close()
    return row


def _requests(world: World) -> int:
    with sqlite3.connect(f"file:{world.state / 'journal.db'}?mode=ro", uri=True) as journal:
        bodies = [body for (body,) in journal.execute("SELECT body FROM records WHERE kind = 'request'")]
    journal.close()
    return len({json.loads(body)["id"] for body in bodies})
