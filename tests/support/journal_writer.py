"""A process that writes numbered records to a journal and says so, line by line, only once they are durable.

    python journal_writer.py STATE_DIR FIRST LAST [--url U --bucket B] [--batch N] [--migrate] [--pause S]

It prints `READY`, then `ACK n` for each record, `FAULT alarm` for what goes wrong, `DONE` at the end. It ends
with status 3 where the journal demands a restart. Records are those of made_records.make_dispense(n).
"""

from __future__ import annotations

import argparse
import sys
import threading
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

import numpy as np
from made_records import make_dispense, make_event

from agent.contract.evidence import Evidence
from agent.journal.errors import JournalError
from agent.journal.journal import Journal
from agent.journal.limits import JournalLimits
from agent.journal.migrations import Migration, shipped
from agent.outlets.influx import InfluxOutlet, InfluxSettings

_STEPS = "\n".join(f"INSERT INTO second VALUES ({n});" for n in range(50))  # noqa: S608
SECOND = Migration(
    2,
    f"CREATE TABLE second (x INTEGER);\n{_STEPS}\n"
    "ALTER TABLE runs ADD COLUMN extra TEXT;\nCREATE INDEX second_x ON second (x);\n",
)
"""A change of the schema with several steps, to be killed in the middle of."""


def say(text: str) -> None:
    print(text, flush=True)


def main() -> int:
    words = argparse.ArgumentParser()
    words.add_argument("state_dir", type=Path)
    words.add_argument("first", type=int)
    words.add_argument("last", type=int)
    words.add_argument("--batch", type=int, default=1)
    words.add_argument("--url")
    words.add_argument("--bucket", default="")
    words.add_argument("--migrate", action="store_true")
    words.add_argument("--pause", type=float, default=0.0)
    words.add_argument("--careless", action="store_true", help="does not sync: shows that a power cut bites")
    words.add_argument("--ballast", type=int, default=65536)
    asked = words.parse_args()
    try:
        journal = Journal.open(
            asked.state_dir,
            version="0.1.0",
            config_digest="0",
            limits=JournalLimits(ballast_bytes=asked.ballast, wal_pages=64, slow_commit_s=1.0),
            migrations=(*shipped(), SECOND) if asked.migrate else None,
        )
    except JournalError as fault:
        say(f"FAULT {fault.alarm}")
        return 3 if fault.must_restart else 4
    for told in journal.opened:
        say(f"FAULT {told.code}")
    if asked.careless:
        journal.database.read("PRAGMA synchronous = OFF")
    journal.declare_outlets({"influx": "all"})
    stop, thread = threading.Event(), None
    if asked.url:
        settings = InfluxSettings(asked.url, "shop", asked.bucket, timeout_s=1.0, batch_rows=50)
        outlet = InfluxOutlet(settings, journal.outlet_view("influx"))
        thread = threading.Thread(target=outlet.run, args=(stop,), daemon=True)
        thread.start()
    say("READY")
    try:
        for first in range(asked.first, asked.last, asked.batch):
            write(journal, range(first, min(first + asked.batch, asked.last)))
            time.sleep(asked.pause)
        say("DONE")
        while thread is not None and journal.pending("influx", 1):
            time.sleep(0.05)
    except JournalError as fault:
        say(f"FAULT {fault.alarm}")
        return 3
    stop.set()
    if thread is not None:
        thread.join()
    journal.close()
    return 0


def write(journal: Journal, numbers: range) -> None:
    t_s = np.arange(20, dtype=np.float64) * 0.1
    raw = Evidence(t_s=t_s, mass_g=t_s + numbers[0], stable=None, context={"first": numbers[0]})
    made = [make_dispense(n) for n in numbers]
    while True:
        try:
            state = {"last": str(numbers[-1]).encode()}
            events = [make_event(n) for n in numbers]
            done = journal.append(made, events, {made[0].id: raw}, state)
        except JournalError as fault:
            if fault.must_restart:
                raise
            say(f"FAULT {fault.alarm}")
            time.sleep(0.05)
        else:
            break
    for told in done.faults:
        say(f"FAULT {told.code}")
    for number in numbers:
        say(f"ACK {number}")


if __name__ == "__main__":
    sys.exit(main())
