"""Shift starts: is a check due and not done? Asked again and again, so it heals itself.

There is no timer to miss: every call of `due` looks at the calendar and at what was done, so that restarts, a
clock that was set and hours of power cut need no rule of their own. A shift's check is asked for from
`lead_min` before its start. A controller that is busy is asked again, with growing pauses, until the start.
After the start, within `LATE_S`, a check that was never run is asked for once; a refusal stands until the
controller says that it is ready. A needle turned or a part changed makes a new check due, until the shift's
check has passed once.
"""

from __future__ import annotations

import math
from collections import OrderedDict
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from agent.assessment.requests import Ended
from agent.assessment.shift_calendar import Occurrence, around
from agent.assessment.shift_course import MOST_ATTEMPTS, NOTES, PAUSES_S, Course, may_ask, may_ask_later
from agent.contract.plan import Cell
from agent.contract.records import Request, record_id
from agent.contract.times import epoch_s, is_plausible, rfc3339

LATE_S = 4 * 3600.0
"""So long after its start a shift's missing check is still asked for."""
OVERDUE_S = 12 * 3600.0
"""So long after its start a shift counts as running, unless the next one has begun."""
SETTLE_S = 60.0
"""Nobody asks for a dispense sooner after a hand was at the gun."""
RERUNS = 1
"""So often a whole check whose shots disagree is run again for a shift."""
KEPT = 64


@dataclass(frozen=True, slots=True)
class Due:
    """A check that is to be asked for now."""

    occurrence: Occurrence
    gun: str
    attempt: int
    request_id: str


@dataclass(frozen=True, slots=True)
class NextShift:
    """The next shift, or the one running, for a page."""

    shift: str
    setup: str
    starts_at: str
    opens_at: str
    state: str
    """`waiting`, `due`, `asked`, `done`, `overdue`; `unasked`: missing, and not asked for any more."""


DoneSince = Callable[[str, str, float], bool]
"""(gun, setup, since): whether the gun has a result for the setup, valid now, sprayed since then."""
DoneAt = Callable[[float], DoneSince]
"""(at): the above, as it was or is at a time, epoch seconds."""
Busy = Callable[[str], bool]
"""(gun): whether a check of this gun, or of another on its scale, is asked for or running."""


class ShiftWatch:
    """What the shifts of one cell need."""

    def __init__(self, cell: Cell, zone: str) -> None:
        self._cell, self._zone = cell, zone
        ZoneInfo(zone)  # raises here, not in the middle of the night
        self._courses: OrderedDict[str, Course] = OrderedDict()
        self._since_s: float | None = None
        """Since when the cell is watched: what began before is nobody's omission."""

    def watching(self, now_s: float) -> None:
        """The cell is watched, at least since this time."""
        if self._since_s is None and is_plausible(now_s):
            self._since_s = now_s

    def clock_set(self, by_s: float) -> None:
        """The clock was set by so much."""
        if self._since_s is not None:
            self._since_s += by_s

    def due(self, now_s: float, done: DoneSince, busy: Busy) -> list[Due]:
        """The checks to ask for at `now_s`, one per free scale; each is counted as asked."""
        found: list[Due] = []
        taken: set[str] = set()
        for course in self._open(now_s):
            for gun in self._missing(course, done):
                scale = self._cell.gun(gun).scale
                if scale in taken or busy(gun) or not may_ask(course, gun, now_s):
                    continue
                taken.add(scale)
                found.append(self._ask(course, gun, now_s))
        return found

    def look(self, now_s: float, done_at: DoneAt) -> None:
        """Look whether the shifts that have started have their results: at their start, or since."""
        for occurrence in self._running(now_s):
            course = self._course(occurrence)
            if not course.met:
                at_s = now_s if course.looked else occurrence.starts_s
                course.met = not self._missing(course, done_at(at_s))
            course.looked = True

    def overdue(self, now_s: float, done: DoneSince, silent: Iterable[str]) -> str | None:
        """What the alarm `check-overdue` says at `now_s`, after `look`; None where it is not to be raised.

        `silent` are the scales that say nothing: the likeliest cause. A shift that started before the cell
        was watched is not overdue: its check may have been made with nobody listening.
        """
        running = self._running(now_s)
        latest_s = max((one.starts_s for one in running), default=None)
        told = []
        for occurrence in running:
            course = self._course(occurrence)
            if course.met or occurrence.starts_s != latest_s or not self._watched(occurrence):
                course.overdue = None
                continue
            missing = self._missing(course, done)
            if missing:
                if course.overdue is None or missing != course.overdue_of:
                    course.overdue = self._overdue_text(course, missing, list(silent))
                    course.overdue_of = missing
                told.append(course.overdue)
        return "; ".join(told) or None

    def was_overdue(self, now_s: float, text: str, done: DoneSince) -> None:
        """After a restart: what the alarm said for the shift that runs."""
        for occurrence in self._running(now_s)[-1:]:
            course = self._course(occurrence)
            course.overdue, course.overdue_of = text, self._missing(course, done)

    def refused(self, now_s: float) -> bool:
        """Whether a check of a shift that is open stands refused."""
        return any(one.refused is not None for course in self._open(now_s) for one in course.guns.values())

    def passed(self, setup: str, now_s: float, done: DoneSince) -> None:
        """All guns passed for a setup: a shift that is open now has what it needs, if that was for it."""
        for course in self._open(now_s):
            if course.occurrence.shift.setup == setup and not self._missing(course, done):
                course.passed = True

    def ended(self, ended: Ended) -> None:
        """A shift's request is over."""
        course = self._courses.get(ended.open.key)
        if course is None:
            return
        gun = course.gun(ended.open.request.gun)
        pause_s = PAUSES_S[min(gun.attempts, len(PAUSES_S)) - 1] if gun.attempts else PAUSES_S[0]
        gun.next_s = ended.at_s + pause_s if ended.may_retry else math.inf
        gun.refused = ended.reason if ended.how == "refused" else None
        gun.note = NOTES[ended.how].format(reason=ended.reason or "no reason given")

    def no_result(self, gun: str, why: str, now_s: float, complete: bool) -> None:
        """A check of this gun was run and has no result.

        A whole check whose shots disagree is run once more, with its bleed; one that was cut off is asked for
        again like a refused one.
        """
        for course in self._open(now_s):
            one = course.gun(gun)
            one.note = f"its check has no result: {why}"
            if complete:
                one.unsure += 1
                if one.unsure > RERUNS:
                    one.next_s = math.inf

    def ready(self, now_s: float) -> None:
        """The controller says that it is ready: what it refused is asked for again."""
        for course in self._open(now_s):
            for one in course.guns.values():
                if one.refused is not None:
                    one.next_s, one.again = now_s, True

    def changed(self, gun: str, now_s: float) -> None:
        """A hand was at a gun: its check is due anew, once the hand is away."""
        for course in self._open(now_s):
            one = course.gun(gun)
            one.next_s, one.again = now_s + SETTLE_S, True

    def setups(self, now_s: float) -> list[str]:
        """Setups of the shifts that are open now, then of the latest one that started."""
        open_now = [course.occurrence.shift.setup for course in self._open(now_s)]
        begun = [one for one in self._around(now_s) if one.starts_s <= now_s]
        return list(dict.fromkeys([*open_now, *[one.shift.setup for one in reversed(begun)]]))

    def retold(self, request: Request) -> str | None:
        """Count a request that the journal tells of, so that none is made twice.

        Gives the key of the occurrence that it was made for; None where it was made for none.
        """
        asked_s = epoch_s(request.at)
        for occurrence in self._around(asked_s):
            attempt = self._attempt_of(request, occurrence)
            if attempt is not None:
                one = self._course(occurrence).gun(request.gun)
                one.asked(max(one.attempts, attempt), late=asked_s >= occurrence.starts_s)
                return occurrence.key
        return None

    def next(self, now_s: float, done: DoneSince, asked: Callable[[str], bool]) -> NextShift | None:
        """The shift that is open or running, else the next one within two days."""
        coming = [one for one in self._around(now_s) if one.starts_s + OVERDUE_S > now_s]
        begun = [one for one in coming if one.opens_s <= now_s]
        occurrence = begun[-1] if begun else next(iter(coming), None)
        if occurrence is None:
            return None
        course = self._courses.get(occurrence.key)
        state = "waiting"
        if occurrence.opens_s <= now_s:
            missing = self._missing(self._course(occurrence), done)
            running = any(asked(gun.name) for gun in self._cell.guns)
            late = occurrence.starts_s <= now_s and self._watched(occurrence)
            state = "overdue" if late else "asked" if running else self._due_state(occurrence, missing, now_s)
            if not missing or (course is not None and course.passed):
                state = "done"
        return NextShift(
            occurrence.shift.name,
            occurrence.shift.setup,
            rfc3339(occurrence.starts_s),
            rfc3339(occurrence.opens_s),
            state,
        )

    def _due_state(self, occurrence: Occurrence, missing: list[str], now_s: float) -> str:
        """`due` where the missing checks will be asked for, or people know that nobody asks for them."""
        if not self._cell.takes_requests:
            return "due"
        course, closes_s = self._course(occurrence), occurrence.starts_s + LATE_S
        asks = now_s < closes_s and any(may_ask_later(course, gun, now_s) for gun in missing)
        return "due" if asks else "unasked"

    def _watched(self, occurrence: Occurrence) -> bool:
        return self._since_s is None or occurrence.starts_s >= self._since_s

    def _around(self, now_s: float) -> tuple[Occurrence, ...]:
        return around(self._cell.shifts, self._zone, now_s) if is_plausible(now_s) else ()

    def _running(self, now_s: float) -> list[Occurrence]:
        return [one for one in self._around(now_s) if one.starts_s <= now_s < one.starts_s + OVERDUE_S]

    def _open(self, now_s: float) -> list[Course]:
        return [
            self._course(one) for one in self._around(now_s) if one.opens_s <= now_s < one.starts_s + LATE_S
        ]

    def _course(self, occurrence: Occurrence) -> Course:
        course = self._courses.get(occurrence.key)
        if course is None:
            course = self._courses[occurrence.key] = Course(occurrence)
            while len(self._courses) > max(KEPT, 6 * len(self._cell.shifts)):
                self._courses.popitem(last=False)
        return course

    def _missing(self, course: Course, done: DoneSince) -> list[str]:
        if course.passed:
            return []
        shift, since_s = course.occurrence.shift, course.occurrence.opens_s
        return [gun.name for gun in self._cell.guns if not done(gun.name, shift.setup, since_s)]

    def _ask(self, course: Course, gun: str, now_s: float) -> Due:
        one = course.gun(gun)
        one.asked(one.attempts + 1, late=now_s >= course.occurrence.starts_s)
        return Due(course.occurrence, gun, one.attempts, self._id(course.occurrence, gun, one.attempts))

    def _id(self, occurrence: Occurrence, gun: str, attempt: int) -> str:
        return record_id("request", self._cell.name, occurrence.shift.name, occurrence.date, gun, attempt)

    def _attempt_of(self, request: Request, occurrence: Occurrence) -> int | None:
        for attempt in range(1, MOST_ATTEMPTS + 1):
            if self._id(occurrence, request.gun, attempt) == request.id:
                return attempt
        return None

    def _overdue_text(self, course: Course, missing: list[str], silent: list[str]) -> str:
        shift = course.occurrence.shift
        why = []
        for gun in missing:
            scale = self._cell.gun(gun).scale
            if scale in silent:
                note = f"scale {scale} is silent"
            elif not self._cell.takes_requests:
                note = "no check was seen"
            else:
                note = course.gun(gun).note
            why.append(f"{gun} ({note})")
        return (
            f"shift {shift.name} of {course.occurrence.date} started with no valid flow check for "
            f"{shift.setup} of: {', '.join(why)}"
        )
