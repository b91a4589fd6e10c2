"""One alarm of a panel: its condition, its state, and what people see of it."""

from __future__ import annotations

import math
from dataclasses import dataclass

from agent.assessment.alarms_table import AlarmKind, Priority
from agent.contract.records import AlarmState
from agent.contract.times import rfc3339


@dataclass(frozen=True, slots=True)
class AlarmStanding:
    """How one alarm stands, for a page or a health report."""

    name: str
    state: AlarmState
    active: bool
    priority: Priority
    since: str
    text: str


@dataclass(frozen=True, slots=True)
class Figure:
    """The number that an alarm's text tells, and what makes it worth telling again."""

    value: float
    worth: float
    """How far it must move for that, in its own unit."""
    pause_s: float = 0.0
    """How long after the last alert it is told again at the earliest: a number that swings calls nobody."""


@dataclass(slots=True)
class Alarm:
    """An alarm as it stands. Times are epoch seconds."""

    name: str
    kind: AlarmKind
    suppressors: tuple[str, ...] = ()
    """Names of alarms that suppress it while they are active."""
    state: AlarmState = "NORM"
    told: AlarmState = "NORM"
    """The state of its last alert."""
    raw: bool = False
    """Its condition as last reported, before the delays."""
    raw_since_s: float = 0.0
    raw_last_s: float = 0.0
    """When the condition was last reported active."""
    active: bool = False
    """Its condition after the delays."""
    since_s: float = 0.0
    """When the condition began that made it active."""
    text: str = ""
    """As it was last reported."""
    figure: Figure | None = None
    """The number in it."""
    told_text: str = ""
    told_figure: float | None = None
    """Text and number of its last alert; None where it had none, or where a restart left it unknown."""
    told_s: float = 0.0
    """When that was."""
    mark: str | None = None
    """What the text is about; None after a restart, when that is not known."""
    acknowledged_by: str | None = None
    shelved_until_s: float | None = None

    def has_moved(self, figure: Figure | None, text: str, at_s: float) -> bool:
        """Whether the number of its text is so far from the one last told that it is told again."""
        if figure is None or at_s < self.told_s + figure.pause_s:
            return False
        if self.told_figure is None:
            return text != self.told_text
        return abs(figure.value - self.told_figure) >= figure.worth

    def due_s(self) -> float:
        """When the next thing happens by itself; infinity where nothing is pending."""
        due = math.inf
        if self.raw != self.active:
            due = self.raw_since_s + (self.kind.on_delay_s if self.raw else self.kind.off_delay_s)
        if self.raw and self.kind.ends_after_s is not None:
            due = min(due, self.raw_last_s + self.kind.ends_after_s)
        if self.shelved_until_s is not None:
            due = min(due, self.shelved_until_s)
        return due


def outward(alarm: Alarm) -> AlarmState:
    """What people see: an alarm that is suppressed while there is nothing to suppress is simply normal."""
    if alarm.state == "DSUPR" and not alarm.active:
        return "NORM"
    return alarm.state


def standing_of(alarm: Alarm) -> AlarmStanding:
    """The alarm for a page or a health report."""
    since = rfc3339(alarm.since_s)
    return AlarmStanding(alarm.name, outward(alarm), alarm.active, alarm.kind.priority, since, alarm.text)
