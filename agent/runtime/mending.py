"""Wrong time: says so, and mends the times of what was written meanwhile once the clock is right.

A small computer with no battery boots decades back. What it records until then is kept from the database:
once the clock is set, the difference is known and the times are mended, once. What an earlier boot wrote with
a clock that was never set can never be dated: it is set aside, and that is said.
"""

from __future__ import annotations

from agent.assessment.alarms import Fault
from agent.clock import Step
from agent.contract.times import is_plausible
from agent.journal.errors import JournalError
from agent.journal.journal import Journal
from agent.journal.stamp import boot_id
from agent.runtime.clock import Clock

UNSYNCED = "time-unsynced"


class Mender:
    """Follows whether the time can be trusted. Both calls give what to tell the alarms."""

    def __init__(self, journal: Journal, clock: Clock) -> None:
        self._journal = journal
        self._clock = clock
        self._trusted = True
        self._owed: list[float] | None = None

    def begin(self) -> list[Fault]:
        """At the start."""
        self._trusted = is_plausible(self._clock.now_s())
        if not self._trusted:
            return [Fault(UNSYNCED, active=True, text="the machine's clock was never set")]
        # An earlier run of this boot may have ended before the clock was set: the monotonic clock runs on.
        return self._settle()

    def look(self, step: Step | None) -> list[Fault]:
        """About once a second, with the step of the clock if there was one."""
        if self._owed is not None:
            return self._settle(*self._owed)
        if step is None or self._trusted or not is_plausible(self._clock.now_s()):
            return []
        self._trusted = True
        return [Fault(UNSYNCED, active=False), *self._settle(step.by_s)]

    def _settle(self, *by_s: float) -> list[Fault]:
        try:
            for offset_s in by_s:
                self._journal.mend_times(boot_id(), offset_s)
            lost = self._journal.mend_earlier("influx")
        except JournalError as fault:
            if fault.must_restart:
                raise
            self._owed = [*by_s]
            return []
        self._owed = None
        if not lost:
            return []
        text = (
            f"{lost} records of an earlier boot, whose clock was never set, can never be dated: they stay in "
            "the journal and do not go to the database"
        )
        return [Fault("point-rejected", active=True, text=text, mark=text)]
