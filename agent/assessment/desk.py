"""The assessment of one cell: dispenses, events and time in; checks, results, release, alarms, requests out.

Pure and with state: the same calls in the same order give the same records. The state comes back from the
journal by `restore`.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass

from agent.assessment.alarms import AlarmStanding, Fault, cell_panel
from agent.assessment.checks import CheckBook, Ripe
from agent.assessment.checks_judging import Judged, judge_group
from agent.assessment.desk_asking import Asking
from agent.assessment.desk_conditions import Conditions, ConditionWatch
from agent.assessment.desk_results import Results
from agent.assessment.memory import GunMemory, expected_setup, is_complete, is_conclusive, is_result
from agent.assessment.release import Judgement, judge_release, next_expiry_s, release_record, unknown_setup
from agent.assessment.shift import NextShift
from agent.contract.inputs import AlarmCommand, ControllerEvent, Reply
from agent.contract.plan import Cell, Plan, Setup
from agent.contract.records import Alert, Balance, Check, Dispense, Reason, Record, Release, Request
from agent.contract.times import epoch_s, rfc3339

__all__ = ["Conditions", "Desk", "DeskStatus", "Fault", "GunStatus"]

SLOW_CLOCK_S = 120.0
"""A controller's clock further off than this is not believed: the arrival counts."""
POLL_S = 5.0
"""So often the shifts are looked at while nothing else happens, seconds."""


@dataclass(frozen=True, slots=True)
class GunStatus:
    """How a gun stands."""

    gun: str
    check: Check | None
    """Its latest check of the current setup."""
    setting: float | None
    parts_since: str | None
    asked: bool
    """A check of it is asked for and not over."""
    running: bool
    """Shots of a check are coming in."""


@dataclass(frozen=True, slots=True)
class DeskStatus:
    """How a cell stands, for the page and for health."""

    cell: str
    setup: str | None
    state: str | None
    """`released` or `held`; None while no setup is known."""
    reasons: tuple[Reason, ...]
    valid_until: str | None
    guns: tuple[GunStatus, ...]
    shift: NextShift | None
    alarms: tuple[AlarmStanding, ...]
    strange_replies: int
    refused_commands: int


class Desk:
    """Assesses one cell."""

    def __init__(self, cell: Cell, plan: Plan) -> None:
        self._cell, self._plan = cell, plan
        self._panel = cell_panel(cell)
        self._conditions = ConditionWatch(cell, self._panel)
        self._results = Results(cell, plan, self._panel, self._conditions.around)
        self._book = CheckBook()
        self._asking = Asking(cell, plan, self._book, self._panel, self._results.guns)
        self._events: deque[str] = deque(maxlen=512)
        self._loaded: str | None = None
        self._checked: str | None = None
        self._release: Judgement | None = None
        self._stale = True
        """Something happened that the release may depend on."""
        self._expires_s: float | None = None
        """When the next check of the current setup runs out."""
        self._now_s = 0.0
        self._poll_s = 0.0

    # --- what comes in -----------------------------------------------------------------------------------

    def dispense(self, dispense: Dispense) -> list[Record]:
        """A dispense was measured. What cannot be a shot of a known gun and setup changes no check."""
        memory = self._results.guns.get(dispense.gun or "")
        if memory is None or "unattributed" in dispense.flags:
            return []
        memory.weighed(dispense)
        at_s = epoch_s(dispense.ended_at)
        self._asking.requests.begun(memory.gun.name)
        setup = self._setup_of(dispense)
        if dispense.purpose != "shot" or setup is None:
            return []
        given = self._judge(self._book.shot(dispense, setup))
        return given + self._released(at_s)

    def event(self, event: ControllerEvent) -> list[Record]:
        """The controller said something. A retained event is stale, and a repeated one is no news."""
        if event.retained or event.event_id in self._events:
            return []
        self._events.append(event.event_id)
        self._now_s = event.arrived_s
        given: list[Record] = [*self._asking.heard(event.arrived_s)]
        given += self._judge(self._take(event))
        if event.event == "setup_loaded":
            given += self._conditions.pressure_alarm(event.arrived_s, self._setup())
        given += self._poll(event.arrived_s)
        return given + self._released(event.arrived_s)

    def reply(self, reply: Reply) -> list[Record]:
        """The controller answered a request."""
        self._now_s = reply.arrived_s
        given: list[Record] = [*self._asking.heard(reply.arrived_s)]
        told, ripe = self._asking.reply(reply)
        given += [*told, *self._judge(ripe), *self._poll(reply.arrived_s)]
        return given + self._released(reply.arrived_s)

    def alarm_command(self, command: AlarmCommand) -> list[Record]:
        """A person acknowledged, shelved or unshelved an alarm."""
        self._now_s = command.arrived_s
        return [*self._alarms(self._panel.command(command)), *self._released(command.arrived_s)]

    def conditions(self, told: Conditions) -> list[Record]:
        """Facts other rooms tell."""
        running = tuple(
            gun
            for gun in self._results.guns
            if self._book.running(gun) is not None or self._asking.requests.open(gun) is not None
        )
        alerts = self._conditions.take(told, self._setup(), running)
        return [*self._alarms(alerts), *self._released(told.at_s)]

    def passed(self, now_s: float) -> list[Record]:
        """Time passed: delays, time-outs, shifts, validity."""
        self._now_s = now_s
        given: list[Record] = [*self._alarms(self._panel.passed(now_s))]
        given += self._judge(self._book.passed(now_s))
        told, ripe = self._asking.passed(now_s)
        given += [*told, *self._judge(ripe)]
        if now_s >= self._poll_s or now_s < self._poll_s - 2 * POLL_S or self._stale:
            self._poll_s = now_s + POLL_S
            given += self._poll(now_s)
        while self._expires_s is not None and now_s >= self._expires_s:
            self._stale = True
            given += self._released(self._expires_s)
        return given + self._released(now_s)

    # --- after a restart ---------------------------------------------------------------------------------

    def restore(self, records: Iterable[Record], events: Iterable[ControllerEvent]) -> None:
        """Take up where the journal left off; says nothing.

        Records and events of this cell in any order. Shots that no check used yet go on with their check.
        """
        story: list[tuple[float, int, Record | ControllerEvent]] = [
            (epoch_s(record.at), 1, record) for record in records if record.cell == self._cell.name
        ]
        story += [
            (_when_s(event), 0, event)
            for event in events
            if event.cell == self._cell.name and not event.retained
        ]
        story.sort(key=lambda item: item[:2])
        alerts: dict[str, Alert] = {}
        requests: list[Request] = []
        unmet: dict[str, tuple[str, bool]] = {}
        for at_s, _, item in story:
            self._now_s = max(self._now_s, at_s)
            self._asking.look(at_s)
            match item:
                case ControllerEvent():
                    self._events.append(item.event_id)
                    self._take(item)
                    if item.event == "check_started" and item.gun in unmet:
                        unmet[item.gun] = (unmet[item.gun][0], True)
                case Alert():
                    alerts[item.name] = item
                case Request():
                    requests.append(item)
                    unmet[item.gun] = (item.id, False)
                case Dispense():
                    self._take_again(item)
                case Release():
                    until_s = None if item.valid_until is None else epoch_s(item.valid_until)
                    self._release = Judgement(item.setup, item.state, item.reasons, until_s)
                case _:
                    self._results.restore(item)
                    self._restore_result(item)
                    if isinstance(item, Check):
                        unmet.pop(item.gun, None)
        self._panel.restore(sorted(alerts.values(), key=lambda alert: epoch_s(alert.at)))
        self._results.restored()
        self._asking.restore(requests[-256:], dict(unmet.values()), self._now_s)
        self._stale = True

    # --- for the page ------------------------------------------------------------------------------------

    def status(self) -> DeskStatus:
        """How the cell stands now."""
        setup = self._current()
        release = self._release if self._release is not None and self._release.setup == setup else None
        until_s = release.valid_until_s if release else None
        return DeskStatus(
            cell=self._cell.name,
            setup=setup,
            state=release.state if release else None,
            reasons=release.reasons if release else (),
            valid_until=None if until_s is None else rfc3339(until_s),
            guns=tuple(self._gun_status(memory, setup) for memory in self._results.guns.values()),
            shift=self._asking.next_shift(self._now_s),
            alarms=self._panel.standing(),
            strange_replies=self._asking.requests.strange_replies,
            refused_commands=self._panel.refused_commands,
        )

    # --- inside ------------------------------------------------------------------------------------------

    def _take(self, event: ControllerEvent) -> list[Ripe]:
        gun = event.gun if event.gun is not None else self._only_gun()
        memory = self._results.guns.get(gun or "")
        at_s = _when_s(event)
        if event.event == "setup_loaded" and event.setup is not None:
            self._loaded = event.setup
            self._stale = True
            for name in self._results.guns:
                group = self._book.running(name)
                if group is not None and group.setup.name != event.setup and not group.by_controller:
                    self._book.cut(name, at_s)
        elif event.event == "cell_ready" and event.ready:
            self._asking.watch.ready(event.arrived_s)
        elif memory is not None:
            return self._take_of(event, memory, at_s)
        return []

    def _take_of(self, event: ControllerEvent, memory: GunMemory, at_s: float) -> list[Ripe]:
        gun = memory.gun.name
        match event.event:
            case "gun_opened" if event.purpose not in ("shot", "bleed"):
                memory.opened(at_s)
            case "gun_opened":
                self._asking.requests.begun(gun)
            case "gun_closed":
                memory.closed(at_s)
            case "needle_set":
                memory.turned(at_s, event.setting)
                self._at_the_gun(gun, at_s, event.arrived_s)
            case "part_changed":
                memory.changed(at_s, event.part or "gun")
                self._at_the_gun(gun, at_s, event.arrived_s)
            case "check_started":
                open_request = self._asking.requests.open(gun)
                asked = open_request.request.setup if open_request is not None else self._current()
                setup = self._plan.setup(event.setup or asked or "")
                self._asking.requests.begun(gun)
                if setup is not None:
                    return self._book.started(gun, setup, event.event_id, at_s)
            case "check_ended":
                self._book.ended(gun, at_s)
            case _:
                pass
        return []

    def _at_the_gun(self, gun: str, at_s: float, now_s: float) -> None:
        self._book.cut(gun, at_s)
        self._asking.watch.changed(gun, now_s)
        self._stale = True

    def _judge(self, ripe: list[Ripe]) -> list[Record]:
        given: list[Record] = []
        for one in ripe:
            judged = judge_group(one.group, self._results.guns[one.group.gun])
            if self._may_ask_more(one, judged):
                self._asking.checked(one.group.gun, one.at_s)
                why = f"more shots: {judged.shots.reason}"
                self._asking.want_more(one.group, judged.more(one.group.setup), why, one.at_s)
                self._poll_s = 0.0
            else:
                given += self._give(one, judged)
        return given

    def _may_ask_more(self, one: Ripe, judged: Judged) -> bool:
        group = one.group
        if group.asked_more or not self._cell.takes_requests or not judged.more(group.setup):
            return False
        if self._cell.gun(group.gun).scale in self._conditions.silent_scales():
            return False
        if one.final:
            return one.may_go_on and group.by_controller and bool(group.shots)
        return True

    def _give(self, one: Ripe, judged: Judged) -> list[Record]:
        group = one.group
        check, given = self._results.give(group, judged, one.at_s)
        unsure = check.verdict == "inconclusive" and judged.shots.wants_more
        self._book.said(group, closed=one.final or group.asked_more or not (group.by_controller or unsure))
        self._asking.checked(group.gun, one.at_s)
        if not is_result(check):
            complete = is_complete(check, group.setup)
            self._asking.watch.no_result(group.gun, check.reason, self._now_s, complete)
        self._checked = check.setup
        if self._results.all_passed(group.setup):
            self._asking.passed_all(check.setup, epoch_s(check.ended_at))
        self._stale, self._poll_s = True, 0.0
        return given

    def _poll(self, now_s: float) -> list[Record]:
        return self._asking.poll(now_s, self._conditions.silent_scales())

    def _alarms(self, alerts: list[Alert]) -> list[Alert]:
        self._stale = self._stale or bool(alerts)
        return alerts

    def _released(self, at_s: float) -> list[Record]:
        name = self._current()
        if name is None or not self._stale:
            return []
        self._stale = False
        setup, guns = self._plan.setup(name), list(self._results.guns.values())
        if setup is None:
            judgement, self._expires_s = unknown_setup(name), None
        else:
            balance, holding = self._results.balances.get(name), self._panel.holding()
            judgement = judge_release(setup, guns, balance, holding, at_s)
            self._expires_s = next_expiry_s(setup, guns, at_s)
        if judgement == self._release:
            return []
        self._release = judgement
        return [release_record(self._cell.name, judgement, at_s)]

    def _current(self) -> str | None:
        return self._loaded or self._checked

    def _setup(self) -> Setup | None:
        return self._plan.setup(self._current() or "")

    def _setup_of(self, dispense: Dispense) -> Setup | None:
        if dispense.setup is not None:
            return self._plan.setup(dispense.setup)
        gun = dispense.gun or ""
        group, request = self._book.running(gun), self._asking.requests.open(gun)
        names = [request.request.setup if request else None, self._loaded]
        names += self._asking.watch.setups(epoch_s(dispense.ended_at))
        known = [self._plan.setup(name) for name in names if name is not None]
        likely = [group.setup] if group is not None else []
        return expected_setup(dispense, [*likely, *[setup for setup in known if setup is not None]])

    def _only_gun(self) -> str | None:
        return self._cell.guns[0].name if len(self._cell.guns) == 1 else None

    def _take_again(self, dispense: Dispense) -> None:
        memory = self._results.guns.get(dispense.gun or "")
        if memory is None or "unattributed" in dispense.flags:
            return
        memory.weighed(dispense)
        setup = self._setup_of(dispense)
        if dispense.purpose == "shot" and setup is not None:
            self._book.shot(dispense, setup)

    def _restore_result(self, record: Record) -> None:
        if isinstance(record, Check):
            self._checked = record.setup
            told = {shot.id for shot in record.shots} | {shot.id for shot in record.left_out}
            group = self._book.running(record.gun)
            if group is not None and {shot.id for shot in group.shots} <= told:
                self._book.said(group, closed=is_conclusive(record) and not group.by_controller)
            self._book.forget(told)
        if isinstance(record, Check | Balance):
            setup = self._plan.setup(record.setup)
            if setup is not None and self._results.all_passed(setup):
                self._asking.passed_all(record.setup, epoch_s(record.at))

    def _gun_status(self, memory: GunMemory, setup: str | None) -> GunStatus:
        gun, parts_s = memory.gun.name, memory.parts_since()
        return GunStatus(
            gun=gun,
            check=memory.last.get(setup or ""),
            setting=memory.setting(),
            parts_since=None if parts_s is None else rfc3339(parts_s),
            asked=self._asking.requests.open(gun) is not None,
            running=self._book.running(gun) is not None,
        )


def _when_s(event: ControllerEvent) -> float:
    """When an event happened, on the agent's clock: a controller whose clock is far off does no harm."""
    return event.t_s if abs(event.t_s - event.arrived_s) <= SLOW_CLOCK_S else event.arrived_s
