"""The people outlet's thread: alarms from the journal, in order, until somebody was told."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable

from agent.contract.records import Alert, Record
from agent.journal.errors import JournalBusy, JournalFull, JournalNotice
from agent.journal.outbox import OutletView
from agent.journal.rows import Row
from agent.outlets.people import AddressError, People

log = logging.getLogger(__name__)

OUTLET = "people"
LOOK_S = 1.0
AT_ONCE = 500
SHORTEST_WAIT_S = 5.0
LONGEST_WAIT_S = 300.0
PRIMED_WITH = 2000


class Calling:
    """Offers pending rows to people and settles what was taken. `run` is the thread."""

    def __init__(self, people: People, view: OutletView, on_fault: Callable[[JournalNotice], None]) -> None:
        self._people = people
        self._view = view
        self._on_fault = on_fault
        self._wait_s = SHORTEST_WAIT_S

    def run(self, stop: threading.Event) -> None:
        """Until `stop` is set. Raises JournalError where the agent must restart."""
        try:
            rows = self._view.records("alert", limit=PRIMED_WITH, newest_first=True)
            waiting = {row.seq for row in self._view.pending(AT_ONCE)}
            self._people.prime(
                alert
                for row in reversed(rows)
                if row.seq not in waiting and isinstance(alert := _record(row), Alert)
            )
            while not stop.wait(self.step()):
                pass
        finally:
            self._view.close()

    def step(self) -> float:
        """Offer what is pending; seconds until the next look."""
        try:
            rows = self._view.pending(AT_ONCE)
            return self._offer(rows) if rows else LOOK_S
        except (JournalFull, JournalBusy) as fault:
            log.warning("cannot settle what people were told: %s", fault)
            return LOOK_S

    def _offer(self, rows: list[Row]) -> float:
        known = [(row, record) for row in rows if (record := _record(row)) is not None]
        try:
            outcome = self._people.deliver([record for _, record in known])
        except AddressError as fault:
            return self._later(str(fault))
        kept = set(outcome.keep)
        self._view.settle_rows([row for row in rows if row.id not in kept])
        if outcome.fault is not None:
            return self._later(outcome.fault)
        self._wait_s = SHORTEST_WAIT_S
        return LOOK_S

    def _later(self, why: str) -> float:
        self._on_fault(JournalNotice("alert-undelivered", why))
        wait_s, self._wait_s = self._wait_s, min(self._wait_s * 2.0, LONGEST_WAIT_S)
        return wait_s


def _record(row: Row) -> Record | None:
    try:
        return row.record()
    except (KeyError, TypeError, ValueError):
        return None
