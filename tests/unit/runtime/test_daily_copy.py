"""The agent's daily copy: made beside the work, and what is wrong with it becomes an alarm."""

from __future__ import annotations

import sqlite3
import time
from pathlib import Path

from made_records import make_dispense

from agent.broker.client import Address
from agent.contract.plan import Cell, Gun, Plan, Scale
from agent.journal.journal import Journal
from agent.journal.putting_back import backup_of
from agent.pipeline.pipeline import Pipeline
from agent.runtime.agent import RunningAgent
from agent.runtime.clock import SystemClock
from agent.runtime.happenings import Chore

CELL = Cell("north", (Scale("floor", 0.1, 6000.0),), (Gun("upper", "floor"),))
PLAN = Plan("edge", "plant", "Europe/Helsinki", (CELL,), (), ())
WITHIN_S = 20.0


def alarms_after_a_backup(agent: RunningAgent) -> dict[str, str]:
    """The texts of the alarms raised, once the copy was made."""
    agent.link.inbox.put(Chore("backup"))
    until = time.monotonic() + WITHIN_S
    agent.turn()
    while agent.daily_copy.is_being_made and time.monotonic() < until:
        agent.turn()
    agent.turn()
    return {row.payload["name"]: row.payload["text"] for row in agent.journal.records("alert")}


def test_a_damaged_row_that_nobody_reads_is_told_by_the_daily_copy(tmp_path: Path) -> None:
    journal = Journal.open(tmp_path / "state", version="0", config_digest="0")
    try:
        agent = RunningAgent(Pipeline(PLAN), journal, Address("127.0.0.1", 1, "shotgram-edge"), SystemClock())
        journal.append([make_dispense(n) for n in range(3)])
        assert "backup-failed" not in alarms_after_a_backup(agent)
        before = backup_of(journal.folder).read_bytes()
        journal.append([make_dispense(n) for n in range(3, 6)])
        with sqlite3.connect(journal.database.path) as raw:
            raw.execute(
                "UPDATE records SET body = replace(body, 'flow', 'fl0w') WHERE id = ?", (make_dispense(4).id,)
            )
        raw.close()
        told = alarms_after_a_backup(agent)
        assert make_dispense(4).id in told["backup-failed"]
        assert make_dispense(4).id in told["journal-corrupt-row"]
        assert backup_of(journal.folder).read_bytes() == before
    finally:
        journal.close()
