"""How far the check of one shift has come: what was asked, refused, and may be asked again."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from agent.assessment.shift_calendar import Occurrence

PAUSES_S = (30.0, 60.0, 120.0, 240.0, 300.0)
"""Pauses before a request is made again; the last one stays."""
MOST_ATTEMPTS = 40


@dataclass(slots=True)
class GunCourse:
    """What was asked of one gun for a shift, and what came of it."""

    attempts: int = 0
    late: int = 0
    """Attempts made after the start."""
    next_s: float = -math.inf
    refused: str | None = None
    """Why the controller refused last; None where it did not."""
    unsure: int = 0
    """Whole checks without a result."""
    again: bool = False
    """Something happened that makes asking sensible even after the start."""
    note: str = "it was not asked for"

    def asked(self, attempt: int, *, late: bool) -> None:
        """The controller was asked for the check, for the so-manieth time."""
        self.attempts = attempt
        self.late += late
        self.again = False
        self.refused = None
        self.next_s = math.inf
        self.note = "the controller did not answer yet"


@dataclass(slots=True)
class Course:
    """What was asked for one shift on one day, and what came of it."""

    occurrence: Occurrence
    guns: dict[str, GunCourse] = field(default_factory=dict)
    passed: bool = False
    """All guns had a passing check once: nothing is asked for this shift any more."""
    looked: bool = False
    """Its start was looked at."""
    met: bool = False
    """At its start or after it, all guns had a result: it is not overdue, whatever happens later."""
    overdue: str | None = None
    """What the alarm says, once it was raised."""
    overdue_of: list[str] = field(default_factory=list)
    """The guns that it names."""

    def gun(self, name: str) -> GunCourse:
        """The course of one gun."""
        return self.guns.setdefault(name, GunCourse())


NOTES = {
    "refused": "the controller refused: {reason}",
    "silent": "the controller did not answer",
    "not_run": "the controller accepted and ran no check",
    "done": "its check has no result that holds now",
}


def may_ask(course: Course, gun: str, now_s: float) -> bool:
    """Whether a gun's check may be asked for at `now_s`, if it is missing."""
    one = course.gun(gun)
    if one.attempts >= MOST_ATTEMPTS or now_s < one.next_s:
        return False
    if now_s < course.occurrence.starts_s or one.again:
        return True
    return one.refused is None and one.late < 1


def may_ask_later(course: Course, gun: str, now_s: float) -> bool:
    """Whether a gun's check is asked for by itself now or later, if it stays missing as it is."""
    one = course.gun(gun)
    return math.isfinite(max(one.next_s, now_s)) and may_ask(course, gun, max(one.next_s, now_s))
