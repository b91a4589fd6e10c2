"""What is due at which time of day, in the site's time zone: canaries, backups, housekeeping.

Nothing is scheduled ahead: somebody asks, about once a second, what is due. So a clock that is set by hours
or decades neither silences a chore nor brings years of them at once. Whether a shift check is due is decided
in the assessment room in the same way.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from agent.assessment.shift_calendar import around
from agent.contract.plan import Plan
from agent.contract.times import is_plausible
from agent.runtime.happenings import Chore

HOUSEKEEPING_S = 60.0
FIRST_HOUSEKEEPING_S = 5.0
BACKUP_HOUR = 3
EARLIER_S = 120.0
"""A canary flies so long before the check is asked for, so that there is time to say that nobody hears us."""
LATE_S = 600.0
"""What was due longer ago than this is not made up for."""


class Timetable:
    """Says which chores are due; each once."""

    def __init__(self, plan: Plan, began_s: float) -> None:
        """`began_s`: monotonic time of the start."""
        self._plan = plan
        self._zone = ZoneInfo(plan.timezone)
        self._tend_s = began_s + FIRST_HOUSEKEEPING_S
        self._looked_s: float | None = None
        self._backed_up: str | None = None

    def due(self, now_s: float, monotonic_s: float) -> Iterator[Chore]:
        """What became due since the last call; `now_s` in epoch seconds."""
        if monotonic_s >= self._tend_s:
            self._tend_s = monotonic_s + HOUSEKEEPING_S
            yield Chore("housekeeping")
        last_s, self._looked_s = self._looked_s, now_s
        if last_s is None or not is_plausible(now_s) or not is_plausible(last_s):
            return
        last_s = max(last_s, now_s - LATE_S)
        if any(last_s < moment_s <= now_s for moment_s in self._canaries(now_s)):
            yield Chore("canary")
        if self._is_backup_time(now_s):
            yield Chore("backup")

    def next_canary_s(self, now_s: float) -> float:
        """When the next canary flies before a shift's check, epoch seconds; infinity where none does."""
        return min((at_s for at_s in self._canaries(now_s) if at_s > now_s), default=math.inf)

    def _canaries(self, now_s: float) -> Iterator[float]:
        for cell in self._plan.cells:
            for occurrence in around(cell.shifts, self._plan.timezone, now_s):
                yield occurrence.opens_s - EARLIER_S

    def _is_backup_time(self, now_s: float) -> bool:
        local = datetime.fromtimestamp(now_s, UTC).astimezone(self._zone)
        date = local.date().isoformat()
        # Two hours, for on one day of the year the first of them does not exist.
        if not BACKUP_HOUR <= local.hour < BACKUP_HOUR + 2 or date == self._backed_up:
            return False
        self._backed_up = date
        return True
