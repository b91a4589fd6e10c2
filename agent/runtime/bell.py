"""Rings at the moments of the timetable, in the site's time zone: before shift checks, for the backup.

The scheduler is punctual but trusts the system's clock: one that is set back silences it, one that jumps
forward makes it late. So a ring only means "look at the timetable now", which decides what is due from what
was done; and the service looks by itself now and then, whether it rang or not.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from zoneinfo import ZoneInfo

from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.cron import CronTrigger

from agent.contract.plan import Plan, Shift
from agent.runtime.timetable import BACKUP_HOUR, EARLIER_S

DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


class Bell:
    """Calls `ring`, in a thread of its own, when something of the timetable is due."""

    def __init__(self, plan: Plan, ring: Callable[[], None]) -> None:
        zone = ZoneInfo(plan.timezone)
        self._scheduler = BackgroundScheduler(
            timezone=zone,
            # By default the library forgives a delay of one second; a machine that was asleep takes longer.
            job_defaults={"misfire_grace_time": None, "coalesce": True, "max_instances": 1},
        )
        backup = CronTrigger(hour=BACKUP_HOUR, timezone=zone)
        self._scheduler.add_job(ring, backup, name="backup")
        for cell in plan.cells:
            for shift in cell.shifts:
                name = f"before {shift.name} in {cell.name}"
                self._scheduler.add_job(ring, _before(shift, zone), name=name)

    def start(self) -> None:
        """Begin to watch the clock."""
        self._scheduler.start()

    def stop(self) -> None:
        """Stop watching."""
        self._scheduler.shutdown(wait=False)

    def moments(self) -> dict[str, str]:
        """Each job and when it rings, for the log and for tests."""
        return {job.name: str(job.trigger) for job in self._scheduler.get_jobs()}


def _before(shift: Shift, zone: ZoneInfo) -> CronTrigger:
    hour, minute = (int(part) for part in shift.starts.split(":"))
    at = timedelta(hours=hour, minutes=minute) - timedelta(minutes=shift.lead_min, seconds=EARLIER_S)
    days_back = -(at // timedelta(days=1))
    at_min = int((at + timedelta(days=days_back)).total_seconds() // 60)
    return CronTrigger(
        day_of_week=",".join(sorted({DAYS[(day - days_back) % 7] for day in shift.days}, key=DAYS.index)),
        hour=at_min // 60,
        minute=at_min % 60,
        timezone=zone,
    )
