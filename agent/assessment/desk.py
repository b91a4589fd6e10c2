"""The assessment of one cell: dispenses, events and time in; checks, results, release, alarms, requests out.

Pure and with state: the same calls in the same order give the same records. The state comes back from the
journal by `restore`.
"""

from __future__ import annotations

from collections.abc import Iterable

from agent.assessment.alarms import Fault
from agent.assessment.checks import Ripe
from agent.assessment.checks_judging import Judged, judge_group
from agent.assessment.desk_conditions import Conditions
from agent.assessment.desk_restoring import restore
from agent.assessment.desk_state import CellState
from agent.assessment.desk_status import DeskStatus, GunStatus, status_of
from agent.assessment.memory import is_complete, is_result
from agent.assessment.own_clock import on_own_clock
from agent.assessment.release import judge_release, next_expiry_s, release_record, unknown_setup
from agent.contract.inputs import AlarmCommand, ControllerEvent, Reply
from agent.contract.plan import Cell, Plan
from agent.contract.records import Alert, Dispense, Record
from agent.contract.times import epoch_s

__all__ = ["Conditions", "Desk", "DeskStatus", "Fault", "GunStatus"]

LONGEST_ID = 80
"""Characters of a strange id that are repeated."""
POLL_S = 5.0
"""So often the shifts are looked at while nothing else happens, seconds."""


class Desk:
    """Assesses one cell."""

    def __init__(self, cell: Cell, plan: Plan) -> None:
        self._cell = cell
        self._state = CellState(cell, plan)
        self._expires_s: float | None = None
        """When the next check of the current setup runs out."""
        self._poll_s = 0.0

    def dispense(self, dispense: Dispense) -> list[Record]:
        """A dispense was measured. What cannot be a shot of a known gun and setup changes no check."""
        dispense = on_own_clock(dispense)
        memory = self._state.results.guns.get(dispense.gun or "")
        if memory is None or "unattributed" in dispense.flags:
            return []
        memory.weighed(dispense)
        at_s = epoch_s(dispense.ended_at)
        setup = self._state.setup_of(dispense)
        requests = self._state.asking.requests
        if dispense.purpose != "job":
            requests.begun(memory.gun.name)
        if dispense.purpose != "shot" or setup is None:
            return []
        asked = requests.open(memory.gun.name) is not None
        given = self._judge(self._state.book.shot(dispense, setup, asked=asked))
        return given + self._released(at_s)

    def event(self, event: ControllerEvent) -> list[Record]:
        """The controller said something. A retained event is stale, and a repeated one is no news."""
        if event.retained or event.event_id in self._state.events:
            return []
        self._state.events.append(event.event_id)
        self._state.now_s = event.arrived_s
        given: list[Record] = [*self._state.asking.heard(event.arrived_s)]
        given += self._judge(self._state.take(event))
        memory = self._state.gun_of(event)
        if event.event == "part_changed" and memory is not None:
            given += self._state.results.part_changed(memory.gun.name, event.event_id, event.arrived_s)
        if event.event == "setup_loaded":
            given += self._state.conditions.pressure_alarm(event.arrived_s, self._state.setup())
        given += self._poll(event.arrived_s)
        return given + self._released(event.arrived_s)

    def reply(self, reply: Reply) -> list[Record]:
        """The controller answered a request."""
        self._state.now_s = reply.arrived_s
        given: list[Record] = [*self._state.asking.heard(reply.arrived_s)]
        told, ripe = self._state.asking.reply(reply)
        given += [*told, *self._judge(ripe), *self._poll(reply.arrived_s)]
        return given + self._released(reply.arrived_s)

    def alarm_command(self, command: AlarmCommand) -> list[Record]:
        """A person acknowledged, shelved or unshelved an alarm."""
        self._state.now_s = command.arrived_s
        return [*self._alarms(self._state.panel.command(command)), *self._released(command.arrived_s)]

    def objection(self, item: Reply | AlarmCommand) -> str | None:
        """Why an answer or a command is about nothing that is known here, in a sentence; else None."""
        if isinstance(item, AlarmCommand):
            return self._state.panel.objection(item)
        if self._state.asking.requests.knows(item.request_id):
            return None
        return f"it answers request {item.request_id[:LONGEST_ID]!r}, which was not made here or is long over"

    def conditions(self, told: Conditions) -> list[Record]:
        """Facts other rooms tell."""
        alerts = self._state.conditions.take(told, self._state.setup(), self._in_check)
        return [*self._alarms(alerts), *self._released(told.at_s)]

    def clock_set(self, by_s: float) -> None:
        """The clock was set by so much: alarms that are pending go along."""
        self._state.panel.clock_set(by_s)
        self._state.asking.watch.clock_set(by_s)
        self._state.now_s += by_s

    def passed(self, now_s: float) -> list[Record]:
        """Time passed: delays, time-outs, shifts, validity."""
        self._state.now_s = now_s
        given: list[Record] = [*self._alarms(self._state.panel.passed(now_s))]
        given += self._judge(self._state.book.passed(now_s))
        told, ripe = self._state.asking.passed(now_s)
        given += [*told, *self._judge(ripe)]
        if now_s >= self._poll_s or now_s < self._poll_s - 2 * POLL_S or self._state.stale:
            self._poll_s = now_s + POLL_S
            given += self._poll(now_s)
        while self._expires_s is not None and now_s >= self._expires_s:
            self._state.stale = True
            given += self._released(self._expires_s)
        return given + self._released(now_s)

    def restore(self, records: Iterable[Record], events: Iterable[ControllerEvent | Reply]) -> None:
        """Take up where the journal left off; says nothing.

        Records of this cell as they stand in the journal, oldest first; events and replies in any order.
        Shots that no check used yet go on with their check, and what was asked of the controller stays asked.
        """
        restore(self._state, records, events)

    def status(self) -> DeskStatus:
        """How the cell stands now, for the page and for health."""
        return status_of(self._state)

    def _in_check(self, gun: str) -> bool:
        if self._state.book.running(gun) is not None:
            return self._state.book.under_way(gun)
        request = self._state.asking.requests.open(gun)
        return request is not None and request.begun

    def _judge(self, ripe: list[Ripe]) -> list[Record]:
        given: list[Record] = []
        for one in ripe:
            judged = judge_group(one.group, self._state.results.guns[one.group.gun])
            if self._may_ask_more(one, judged):
                self._state.asking.checked(one.group.gun, one.at_s)
                why = f"more shots: {judged.shots.reason}"
                self._state.asking.want_more(one.group, judged.more(one.group.setup), why, one.at_s)
                self._poll_s = 0.0
            else:
                given += self._give(one, judged)
        return given

    def _may_ask_more(self, one: Ripe, judged: Judged) -> bool:
        group = one.group
        if group.asked_more or not self._cell.takes_requests or not judged.more(group.setup):
            return False
        if self._cell.gun(group.gun).scale in self._state.conditions.silent_scales():
            return False
        if one.final:
            return one.may_go_on and group.by_controller and bool(group.shots)
        return True

    def _give(self, one: Ripe, judged: Judged) -> list[Record]:
        group = one.group
        check, given = self._state.results.give(group, judged, one.at_s)
        unsure = check.verdict == "inconclusive" and judged.shots.wants_more
        self._state.book.said(
            group, closed=one.final or group.asked_more or not (group.by_controller or unsure)
        )
        self._state.asking.checked(group.gun, one.at_s)
        if not is_result(check):
            complete = is_complete(check, group.setup)
            self._state.asking.watch.no_result(group.gun, check.reason, self._state.now_s, complete)
        self._state.checked = check.setup
        if self._state.results.all_passed(group.setup):
            self._state.asking.passed_all(check.setup, epoch_s(check.ended_at))
        self._state.stale, self._poll_s = True, 0.0
        return given

    def _poll(self, now_s: float) -> list[Record]:
        return self._state.asking.poll(now_s, self._state.conditions.silent_scales())

    def _alarms(self, alerts: list[Alert]) -> list[Alert]:
        self._state.stale = self._state.stale or bool(alerts)
        return alerts

    def _released(self, at_s: float) -> list[Record]:
        name, stale = self._state.current(), self._state.stale
        self._state.stale = False
        if name is None or not stale:
            return []
        setup, guns = self._state.plan.setup(name), list(self._state.results.guns.values())
        if setup is None:
            judgement, self._expires_s = unknown_setup(name), None
        else:
            balance, holding = self._state.results.balances.get(name), self._state.panel.holding()
            zone = self._state.plan.timezone
            judgement = judge_release(setup, guns, balance, holding, at_s, zone=zone)
            self._expires_s = next_expiry_s(setup, guns, at_s)
        if judgement == self._state.release:
            return []
        self._state.release = judgement
        return [release_record(self._cell.name, judgement, at_s)]
