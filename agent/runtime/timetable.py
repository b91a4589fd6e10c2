"""What is due at which time of day, in the site's time zone: canaries, backups, housekeeping.

Whether a shift check is due is decided in the assessment room at every tick, from what was done: that heals
itself after a power cut or a clock that was set. The timetable only wakes the worker, so a job that fires
late, twice or never does no harm.
"""

from __future__ import annotations

import queue
from datetime import timedelta
from zoneinfo import ZoneInfo

from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.cron import CronTrigger
from apscheduler.triggers.interval import IntervalTrigger

from agent.contract.plan import Plan, Shift
from agent.runtime.happenings import Chore, Happening

HOUSEKEEPING_S = 60
BACKUP_HOUR = 3
EARLIER_MIN = 2.0
"""A canary flies so long before the check is asked for, so that there is time to say that nobody hears us."""
DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


class Timetable:
    """Puts chores into the worker's inbox when they are due."""

    def __init__(self, plan: Plan, inbox: queue.SimpleQueue[Happening]) -> None:
        self._inbox = inbox
        zone = ZoneInfo(plan.timezone)
        self._scheduler = BackgroundScheduler(
            timezone=zone,
            # The library's own default forgives a second; a power cut takes longer.
            job_defaults={"misfire_grace_time": None, "coalesce": True, "max_instances": 1},
        )
        self._add("housekeeping", IntervalTrigger(seconds=HOUSEKEEPING_S), "housekeeping")
        self._add("backup", CronTrigger(hour=BACKUP_HOUR, minute=17, timezone=zone), "backup")
        for cell in plan.cells:
            for shift in cell.shifts:
                self._add("canary", _before(shift, zone), f"canary {cell.name} {shift.name}")

    def start(self) -> None:
        """Begin to watch the clock, in a thread of the library."""
        self._scheduler.start()

    def stop(self) -> None:
        """Stop watching."""
        self._scheduler.shutdown(wait=False)

    def jobs(self) -> list[str]:
        """Names of the jobs, for the log and for tests."""
        return sorted(job.name for job in self._scheduler.get_jobs())

    def _add(self, what: str, trigger: CronTrigger | IntervalTrigger, name: str) -> None:
        self._scheduler.add_job(self._inbox.put, trigger, args=[Chore(what)], name=name)  # type: ignore[arg-type]


def _before(shift: Shift, zone: ZoneInfo) -> CronTrigger:
    hour, minute = (int(part) for part in shift.starts.split(":"))
    lead = timedelta(hours=hour, minutes=minute) - timedelta(minutes=shift.lead_min + EARLIER_MIN)
    days = shift.days
    if lead < timedelta(0):
        lead += timedelta(days=1)
        days = tuple((day - 1) % 7 for day in days)
    at_min = int(lead.total_seconds() // 60)
    return CronTrigger(
        day_of_week=",".join(DAYS[day] for day in sorted(days)),
        hour=at_min // 60,
        minute=at_min % 60,
        timezone=zone,
    )
