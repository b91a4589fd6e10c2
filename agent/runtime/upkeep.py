"""The journal's upkeep, as the timetable asks for it: housekeeping, and a copy every day."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable

from agent.journal.errors import JournalError
from agent.journal.journal import Journal
from agent.journal.putting_back import backup_of
from agent.runtime.happenings import OutletFault
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


class DailyCopy:
    """Has the copy made in a thread of its own: a large journal takes minutes to copy and to check."""

    def __init__(self, journal: Journal, report: Callable[[OutletFault], None]) -> None:
        """`report` is called in that thread with what went wrong or was found damaged."""
        self._journal = journal
        self._report = report
        self._thread: threading.Thread | None = None

    @property
    def is_being_made(self) -> bool:
        """Whether its thread works."""
        return self._thread is not None and self._thread.is_alive()

    def begin(self) -> None:
        """Make it, unless one is being made."""
        if not self.is_being_made:
            self._thread = threading.Thread(target=self._make, name="backup", daemon=True)
            self._thread.start()

    def _make(self) -> None:
        told = self._journal.backup(backup_of(self._journal.folder))
        for fault in told:
            self._report(OutletFault("backup", fault))
        if not told:
            log.info("the daily backup was made and is sound")
