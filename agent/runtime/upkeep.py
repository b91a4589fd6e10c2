"""The journal's upkeep, as the timetable asks for it: housekeeping, and a copy every day."""

from __future__ import annotations

import logging

from agent.journal.errors import JournalError
from agent.journal.journal import Journal
from agent.journal.putting_back import backup_of
from agent.runtime.keeping import Batch, Keeper
from agent.runtime.raising import Raising

log = logging.getLogger(__name__)


def tend(journal: Journal, keeper: Keeper, alarms: Raising, batch: Batch) -> None:
    """Housekeeping; raises JournalError where the agent must end."""
    try:
        tended = journal.tend()
    except JournalError as fault:
        keeper.judge(fault)
        alarms.happened(fault.alarm, str(fault), batch)
        return
    for found in alarms.trouble.housekeeping(tended.conditions):
        alarms.tell(found, batch)
    alarms.journal(tended.faults, batch)


def back_up(journal: Journal, alarms: Raising, batch: Batch) -> None:
    """The daily copy; where it fails, that is told, and the work goes on."""
    path = backup_of(journal.folder)
    try:
        path.parent.mkdir(mode=0o700, exist_ok=True)
        journal.backup(path)
    except (OSError, JournalError) as fault:
        log.warning("the daily backup failed: %s", fault)
        alarms.happened("backup-failed", f"the daily backup failed: {fault}", batch)
