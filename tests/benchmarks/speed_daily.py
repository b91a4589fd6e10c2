"""One cell as it is used every day: a database, alarms by mail, health asked for by a Prometheus.

The gun gives 8 % less than its job asks for: after the third shot its check fails, and the alarm goes out as
a mail. What is resident then is what such a cell takes.
"""

from __future__ import annotations

import json
import sys
import time
import urllib.request
from pathlib import Path
from typing import Any

import real_parts
from parts_found import find_part
from people_reached import Inbox, mail_address
from speed_process import Pinned, load, loaded, put_first
from speed_site import CYCLE_S, Plant

GOAL_MB = 120.0
"""Choice of ours: a board with 512 MB has broker and system beside it."""
OFF_TARGET_G_PER_MIN = 104.0
SHOTS = 3
SETTLES_S = 20.0
"""From the first reading to the first shot, and from the last shot to its dispense."""
SCRAPED_EVERY_S = 5.0
COMES_WITHIN_S = 60.0


def daily(bench: Any, rate_hz: float) -> None:
    """The row of a cell in daily use; says why where there is none."""
    what = "one cell with database, mail and health"
    program = find_part("victoria-metrics")
    if program is None:
        bench.say(what, "skipped: needs victoria-metrics (apt-get install victoria-metrics)")
        return
    place = bench.place("cell-daily")
    database, inbox, health = real_parts.victoria_metrics_at(program, place), Inbox(), real_parts.free_port()
    try:
        database.start()
        put_first(database.pid, bench.cores.others)
        config = _config(place, bench.broker.port, database.url, inbox.port, health)
        process = Pinned(
            [sys.executable, "-m", "agent", "run", "--config", str(config)], bench.cores.measured, place
        )
        try:
            _scrape(health)
            seconds = SHOTS * CYCLE_S + SETTLES_S
            publisher = load(bench.broker.port, 2, rate_hz, seconds, shots=True, core=bench.cores.others)
            used_s, began_s = process.cpu_s(), time.monotonic()
            until_s = began_s + seconds + COMES_WITHIN_S
            while publisher.poll() is None or not (inbox.mails and _points(database)):
                if time.monotonic() > until_s:
                    raise RuntimeError(f"no mail, or no point:\n{process.log.read_text()[-2000:]}")
                time.sleep(SCRAPED_EVERY_S)
                _scrape(health)
            share = 100.0 * (process.cpu_s() - used_s) / (time.monotonic() - began_s)
            now_mb, peak_mb = process.rss_mb(), process.peak_mb()
            process.stop()
        finally:
            process.process.kill()
    finally:
        inbox.close()
        database.stop()
    bench.say(
        what,
        f"{share:.2f} % of the core, {now_mb:.0f} MB, at most {peak_mb:.0f} MB, after {SHOTS} shots, "
        f"{len(inbox.mails)} mails (load {loaded()})",
        f"<= {GOAL_MB:.0f} MB",
        peak_mb <= GOAL_MB,
    )


def _config(place: Path, broker: int, database: str, smtp: int, health: int) -> Path:
    path = Plant(2, OFF_TARGET_G_PER_MIN).write(place, broker)
    addresses = place / "addresses"
    addresses.write_text(mail_address(smtp) + "\n")
    addresses.chmod(0o600)
    more = (
        f'[influx]\nurl = "{database}"\norg = "plant"\nbucket = "flow"\n'
        f'[notify]\nurls_file = "{addresses}"\n[health]\nenabled = true\nport = {health}\n'
    )
    path.write_text(path.read_text() + more)
    return path


def _scrape(port: int, within_s: float = 30.0) -> None:
    """Ask for the metrics, as a Prometheus does."""
    until_s = time.monotonic() + within_s
    while True:
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{port}/metrics", timeout=5.0) as answer:
                answer.read()
                return
        except OSError:
            if time.monotonic() > until_s:
                raise
            time.sleep(0.2)


def _points(database: real_parts.HttpPart) -> int:
    """How many fields the database knows."""
    return len(json.loads(database.get("/api/v1/label/__name__/values"))["data"])
