"""How long to wait for a database that does not take what it is sent, and what to tell people meanwhile.

All times are on a monotonic clock: a step of the wall clock neither hastens nor prolongs anything.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from typing import Literal, TypeAlias

from agent.journal.errors import JournalNotice
from agent.outlets.influx_errors import Failure

FIRST_WAIT_S = 0.5
LONGEST_WAIT_S = 8.0
"""Between two tries, so that live results are not late by more than 10 s when the database is back."""
HOLD_S = 15.0
"""Between two tries while the token, the bucket or the address is wrong."""
DOWN_AFTER_S = 10.0
"""Failing for so long raises `sink-down`."""
WATCHED_WRITES = 20
"""More than half of so many failed: `sink-degraded`; less than a quarter: `sink-steady`."""

State: TypeAlias = Literal["well", "failing", "down", "held"]


class Patience:
    """The state of one database as its outlet meets it."""

    def __init__(self, where: str, jitter: Callable[[], float]):
        self.where = where
        self.state: State = "well"
        self.since_s: float | None = None
        """When the present failure began, None while all is well."""
        self.due_s = float("-inf")
        """Not before this is anything to be sent."""
        self._jitter = jitter
        self._tries = 0
        self._recent: deque[bool] = deque(maxlen=WATCHED_WRITES)
        self._degraded = False

    def taken(self, now_s: float) -> list[JournalNotice]:
        """The database took a write."""
        faults = []
        if self.state in {"down", "held"} and self.since_s is not None:
            text = f"{self.where} takes results again after {now_s - self.since_s:.0f} s"
            faults.append(JournalNotice("sink-recovered", text))
        self.state, self.since_s, self._tries, self.due_s = "well", None, 0, float("-inf")
        return faults + self._noted(ok=True)

    def later(self, failure: Failure, now_s: float) -> tuple[float, list[JournalNotice]]:
        """It cannot take anything now: (seconds to wait, what to tell).

        Waits double, with jitter, up to `LONGEST_WAIT_S`.
        """
        faults = self._noted(ok=False, why=failure.text)
        since_s = self._failing(now_s)
        if self.state != "down" and now_s - since_s >= DOWN_AFTER_S:
            self.state = "down"
            text = f"{self.where} has taken nothing for {now_s - since_s:.0f} s; results wait in the journal"
            faults.append(JournalNotice("sink-down", f"{text} ({failure.text})"))
        longest_s = min(FIRST_WAIT_S * 2.0 ** min(self._tries, 10), LONGEST_WAIT_S)
        self._tries += 1
        wait_s = longest_s * (0.5 + 0.5 * self._jitter())
        if failure.retry_after_s is not None:
            # The server's own word; a little more, so that not every client comes at the same moment.
            wait_s = failure.retry_after_s + FIRST_WAIT_S * self._jitter()
        self.due_s = now_s + wait_s
        return wait_s, faults

    def hold(self, failure: Failure, now_s: float, code: str) -> tuple[float, list[JournalNotice]]:
        """It refuses for a reason that people have to mend: (seconds to wait, what to tell)."""
        faults = self._noted(ok=False, why=failure.text)
        self._failing(now_s)
        if self.state != "held":
            self.state = "held"
            text = f"{self.where} refuses what it is sent; check its address, bucket and token"
            faults.append(JournalNotice(code, f"{text}. Results wait in the journal ({failure.text})"))
        self.due_s = now_s + HOLD_S
        return HOLD_S, faults

    def _failing(self, now_s: float) -> float:
        if self.since_s is None:
            self.since_s = now_s
            self.state = "failing"
        return self.since_s

    def _noted(self, *, ok: bool, why: str = "") -> list[JournalNotice]:
        self._recent.append(ok)
        bad = self._recent.count(False)
        if not self._degraded and len(self._recent) == WATCHED_WRITES and 2 * bad > WATCHED_WRITES:
            self._degraded = True
            return [
                JournalNotice("sink-degraded", f"{bad} of the last {WATCHED_WRITES} writes failed ({why})")
            ]
        if self._degraded and 4 * bad < WATCHED_WRITES:
            self._degraded = False
            return [JournalNotice("sink-steady", f"{self.where} takes most writes again")]
        return []
