"""The alarms of one cell, or of the agent itself: delays, states, shelving, one call per cause.

Pure: time comes in with every call, and what was due in between is given its own time. A caller reports a
condition as often as it likes; an alert is given only when something a person sees has changed.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Iterable
from dataclasses import dataclass, field, replace

from agent.assessment.alarms_one import Alarm, AlarmStanding, Figure, outward, standing_of
from agent.assessment.alarms_states import HIDDEN, AlarmEvent, next_state
from agent.assessment.alarms_table import AlarmKind, Priority
from agent.contract.inputs import AlarmCommand
from agent.contract.records import Alert, record_id
from agent.contract.times import epoch_s, rfc3339

SHELVE_MIN = 60.0
"""A shelving with no length given ends after so many minutes."""
LONGEST_SHELVE_MIN = 24 * 60.0
"""Nobody shelves an alarm for longer: what must be quiet for days belongs repaired."""
MOST_ALARMS = 256
"""More names than this are a fault of whoever reports them; further ones are counted and dropped."""


@dataclass(frozen=True, slots=True)
class Fault:
    """A fault another room tells of by name. What is left empty comes from the table of alarms."""

    name: str
    active: bool
    text: str = ""
    priority: Priority | None = None
    consequence: str = ""
    action: str = ""
    cell: str = "agent"
    """The cell it touches; "agent" for what is the agent's own."""
    mark: str = ""
    """What it is about: with another mark it is told again although the alarm stands."""


@dataclass(slots=True)
class AlarmPanel:
    """All alarms of a cell, by name. `cell` is "agent" for the alarms of the agent itself."""

    cell: str
    dropped_names: int = 0
    """Faults dropped because the panel is full."""
    _alarms: dict[str, Alarm] = field(default_factory=dict)
    _due_s: float | None = None
    """When the next thing happens by itself; None where it must be looked up."""

    def add(self, name: str, kind: AlarmKind, suppressors: tuple[str, ...] = ()) -> None:
        """Make an alarm known: only known alarms can be reported or commanded."""
        self._alarms[name] = Alarm(name, kind, suppressors)

    def report(
        self,
        name: str,
        active: bool,
        at_s: float,
        text: str = "",
        mark: str = "",
        *,
        figure: Figure | None = None,
    ) -> list[Alert]:
        """A condition as it is at `at_s` (epoch seconds). Raises KeyError for a name never added.

        The text is shown as it was last reported, and told with the next alert: that it moves on is no news.
        With another `mark` (another gun, the other direction), or when the `figure` in the text has moved far
        enough, it is, and the alert is told again in its state.
        """
        alarm = self._alarms[name]
        given = self.passed(at_s)
        self._due_s = None
        news = False
        if active:
            news = alarm.raw and (alarm.mark not in (mark, None) or alarm.has_moved(figure, text, at_s))
            alarm.text, alarm.figure = text, figure
            alarm.mark = mark
            alarm.raw_last_s = max(at_s, alarm.raw_last_s)
        if active != alarm.raw:
            alarm.raw, alarm.raw_since_s = active, at_s
        changed = self._run(alarm, at_s)
        if news and not changed and alarm.active and alarm.told != "NORM":
            changed = [self._alert(alarm, at_s)]
        return given + changed

    def fault(self, fault: Fault, at_s: float) -> list[Alert]:
        """A fault told by its name; a name that is new is added with the table's words or the fault's own."""
        if fault.name not in self._alarms:
            if not fault.active:
                return []
            if len(self._alarms) >= MOST_ALARMS:
                self.dropped_names += 1
                return []
            kind = AlarmKind(fault.name, fault.priority or "medium", fault.consequence, fault.action)
            self.add(fault.name, kind)
        alarm = self._alarms[fault.name]
        alarm.kind = replace(
            alarm.kind,
            priority=fault.priority or alarm.kind.priority,
            consequence=fault.consequence or alarm.kind.consequence,
            action=fault.action or alarm.kind.action,
        )
        if fault.active and fault.mark and alarm.mark is None and fault.text != alarm.text:
            # It stood before a restart, and is about something else now.
            alarm.mark = alarm.text
        return self.report(fault.name, fault.active, at_s, fault.text, fault.mark)

    def command(self, command: AlarmCommand) -> list[Alert]:
        """What a person asks of an alarm. A command that makes no sense changes nothing."""
        at_s = command.arrived_s
        given = self.passed(at_s)
        self._due_s = None
        alarm = self._alarms.get(command.name)
        minutes = SHELVE_MIN if command.minutes is None else command.minutes
        sensible = math.isfinite(minutes) and minutes > 0
        if alarm is None or (command.command == "shelve" and not sensible):
            return given
        if command.command == "acknowledge":
            if alarm.state in ("UNACK", "RTNUN"):
                alarm.acknowledged_by = command.by or "somebody who gave no name"
            return given + self._go(alarm, "acknowledge", at_s)
        if command.command == "shelve":
            again = alarm.state == "SHLVD"
            if outward(alarm) == "NORM":
                alarm.state = "NORM"
            if again or alarm.state not in HIDDEN:
                alarm.shelved_until_s = at_s + 60.0 * min(minutes, LONGEST_SHELVE_MIN)
            given += self._go(alarm, "shelve", at_s)
            if again:
                given.append(self._alert(alarm, at_s))
            return given
        alarm.shelved_until_s = None
        return given + self._go(alarm, "unshelve", at_s)

    def objection(self, command: AlarmCommand) -> str | None:
        """Why a command is for no alarm of this panel, in a sentence; None where it is for one."""
        if command.name in self._alarms:
            return None
        like = difflib.get_close_matches(command.name, self._alarms, n=3)
        hint = f"; alarms of a like name are {', '.join(like)}" if like else ""
        return f"{self.cell} has no alarm {command.name!r}: nothing was done{hint}"

    def passed(self, now_s: float) -> list[Alert]:
        """Time passes: delays end, shelvings end, happenings end. In the order of their own times."""
        given: list[Alert] = []
        while True:
            if self._due_s is None:
                self._due_s = min((one.due_s() for one in self._alarms.values()), default=math.inf)
            if self._due_s > now_s:
                return given
            alarm = min(self._alarms.values(), key=lambda one: (one.due_s(), one.name))
            self._due_s = None
            given += self._run(alarm, alarm.due_s())

    def clock_set(self, by_s: float) -> None:
        """The clock was set by so much: what is pending goes along, and keeps its delay."""
        self._due_s = None
        for alarm in self._alarms.values():
            alarm.raw_since_s += by_s
            alarm.raw_last_s += by_s
            alarm.told_s += by_s
            alarm.since_s += by_s if alarm.since_s else 0.0
            if alarm.shelved_until_s is not None:
                alarm.shelved_until_s += by_s

    def active(self, name: str) -> bool:
        """Whether the alarm's condition is active now, whoever acknowledged or shelved it."""
        alarm = self._alarms.get(name)
        return alarm is not None and alarm.active

    def condition(self, name: str) -> bool:
        """Whether the alarm's condition was last reported active, before its delays."""
        alarm = self._alarms.get(name)
        return alarm is not None and alarm.raw

    def text(self, name: str) -> str:
        """What the alarm says."""
        return self._alarms[name].text

    def recall(self, name: str, figure: float | None) -> None:
        """After `restore`: the figure that the alarm's last alert told; None where that is not known."""
        if (alarm := self._alarms.get(name)) is not None:
            alarm.told_figure = figure

    def assume(self, name: str, active: bool) -> None:
        """After `restore`: the condition of an alarm whose own record hides it. Calls nobody."""
        alarm = self._alarms[name]
        if alarm.state in HIDDEN:
            alarm.raw = alarm.active = active
            self._due_s = None

    def holding(self) -> list[AlarmStanding]:
        """Active alarms of high priority that hold the release on their own, by name, as they were told."""
        return [
            replace(standing_of(alarm), text=alarm.told_text)
            for _, alarm in sorted(self._alarms.items())
            if alarm.active and alarm.kind.holds and alarm.kind.priority == "high"
        ]

    def standing(self) -> tuple[AlarmStanding, ...]:
        """Every alarm that is not simply normal, by name."""
        return tuple(
            standing_of(alarm) for _, alarm in sorted(self._alarms.items()) if outward(alarm) != "NORM"
        )

    def restore(self, alerts: Iterable[Alert]) -> None:
        """Take up the states that the journal's last alerts tell, oldest first."""
        self._due_s = None
        for alert in alerts:
            if alert.cell != self.cell:
                continue
            if alert.name not in self._alarms:
                if len(self._alarms) >= MOST_ALARMS:
                    continue
                kind = AlarmKind(alert.name, alert.priority, alert.consequence, alert.action)
                self.add(alert.name, kind)
            self._take(self._alarms[alert.name], alert)

    def _take(self, alarm: Alarm, alert: Alert) -> None:
        alarm.state = alarm.told = alert.state
        alarm.text, alarm.mark = alert.text, None
        alarm.told_text, alarm.told_figure, alarm.told_s = alert.text, None, epoch_s(alert.at)
        alarm.since_s = alarm.raw_since_s = alarm.raw_last_s = epoch_s(alert.since)
        alarm.raw_last_s = max(alarm.raw_last_s, epoch_s(alert.at))
        alarm.acknowledged_by = alert.acknowledged_by
        alarm.shelved_until_s = None if alert.shelved_until is None else epoch_s(alert.shelved_until)
        # A hidden alarm's condition is not in its record; it is told again soon, and until then an
        # alarm that was suppressed counts as active: it was only ever shown because of that.
        alarm.raw = alarm.active = alert.state in ("UNACK", "ACKED", "DSUPR")

    def _run(self, alarm: Alarm, at_s: float) -> list[Alert]:
        given: list[Alert] = []
        if alarm.shelved_until_s is not None and alarm.shelved_until_s <= at_s:
            alarm.shelved_until_s = None
            given += self._go(alarm, "unshelve", at_s)
        ends = alarm.kind.ends_after_s
        if alarm.raw and ends is not None and alarm.raw_last_s + ends <= at_s:
            alarm.raw, alarm.raw_since_s = False, at_s
        if alarm.raw != alarm.active:
            delay = alarm.kind.on_delay_s if alarm.raw else alarm.kind.off_delay_s
            if alarm.raw_since_s + delay <= at_s:
                given += self._turn(alarm, at_s)
        return given

    def _turn(self, alarm: Alarm, at_s: float) -> list[Alert]:
        alarm.active = alarm.raw
        if alarm.active:
            alarm.since_s = alarm.raw_since_s
            alarm.acknowledged_by = None
        given = self._go(alarm, "active" if alarm.active else "normal", at_s)
        for other in self._alarms.values():
            if alarm.name in other.suppressors:
                event: AlarmEvent = "suppress" if self._suppressed(other) else "unsuppress"
                given += self._go(other, event, at_s)
        return given

    def _suppressed(self, alarm: Alarm) -> bool:
        return any(self.active(name) for name in alarm.suppressors)

    def _go(self, alarm: Alarm, event: AlarmEvent, at_s: float) -> list[Alert]:
        alarm.state = next_state(alarm.state, event, alarm.active)
        if alarm.state == "NORM" and not alarm.active and self._suppressed(alarm):
            alarm.state = "DSUPR"
        if alarm.state == "UNACK" and self._suppressed(alarm):
            alarm.state = "DSUPR"
        if alarm.state == "UNACK":
            # Whoever knew of it before it was hidden need not know that it is back.
            alarm.acknowledged_by = None
        return [self._alert(alarm, at_s)] if outward(alarm) != alarm.told else []

    def _alert(self, alarm: Alarm, at_s: float) -> Alert:
        alarm.told = outward(alarm)
        alarm.told_text, alarm.told_s = alarm.text, at_s
        alarm.told_figure = None if alarm.figure is None else alarm.figure.value
        alarm.since_s = alarm.since_s or at_s
        until = alarm.shelved_until_s if alarm.told == "SHLVD" else None
        at = rfc3339(at_s)
        return Alert(
            id=record_id("alert", self.cell, alarm.name, alarm.told, at, alarm.text, until),
            cell=self.cell,
            at=at,
            name=alarm.name,
            state=alarm.told,
            priority=alarm.kind.priority,
            since=rfc3339(alarm.since_s),
            text=alarm.text,
            consequence=alarm.kind.consequence,
            action=alarm.kind.action,
            acknowledged_by=alarm.acknowledged_by,
            shelved_until=None if until is None else rfc3339(until),
        )
