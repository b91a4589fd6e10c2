"""Asking the controller for checks: before shifts, and for more shots where a check needs them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from agent.assessment.alarms import AlarmPanel
from agent.assessment.checks import CheckBook, Group, Ripe
from agent.assessment.memory import GunMemory, is_result
from agent.assessment.release import is_valid
from agent.assessment.requests import Ended, RequestBook, duration_s, new_request
from agent.assessment.shift import DoneSince, NextShift, ShiftWatch
from agent.contract.inputs import Reply
from agent.contract.plan import Cell, Plan
from agent.contract.records import Alert, Record, Request, record_id
from agent.contract.times import epoch_s

MORE = "more"
MORE_WAITS_S = 1800.0
"""So long extra shots wait for the scale to be free, seconds."""


@dataclass(frozen=True, slots=True)
class _Wanted:
    group: Group
    shots: int
    why: str


class Asking:
    """What is asked of the controller of one cell."""

    def __init__(
        self, cell: Cell, plan: Plan, book: CheckBook, panel: AlarmPanel, guns: Mapping[str, GunMemory]
    ) -> None:
        self.requests = RequestBook()
        self.watch = ShiftWatch(cell, plan.timezone)
        self._cell, self._plan, self._book, self._panel, self._guns = cell, plan, book, panel, guns
        self._more: dict[str, _Wanted] = {}

    def want_more(self, group: Group, shots: int, why: str, at_s: float) -> None:
        """A check needs more shots: they are asked for as soon as its scale is free."""
        self._book.wait_for_more(group, shots, at_s + MORE_WAITS_S)
        self._more[group.gun] = _Wanted(group, shots, why)

    def poll(self, now_s: float, silent: list[str]) -> list[Record]:
        """What is to be asked now, and whether a shift's check is overdue."""
        given: list[Record] = []
        if self._cell.takes_requests:
            given += self._ask_more(now_s)
            given += self._ask_for_shifts(now_s)
        if self._cell.shifts:
            self.watch.watching(now_s)
            self.look(now_s)
            text = self.watch.overdue(now_s, self._done(now_s), silent)
            given += self._panel.report("check-overdue", text is not None, now_s, text or "", text or "")
        if self._panel.condition("request-refused") and not self.watch.refused(now_s):
            given += self._panel.report("request-refused", False, now_s)
        return given

    def look(self, now_s: float) -> None:
        """Look at the shifts that have started."""
        self.watch.look(now_s, lambda at_s: self._done(at_s, by_s=at_s))

    def reply(self, reply: Reply) -> tuple[list[Record], list[Ripe]]:
        """The controller's answer, and the groups that end because of it."""
        answer = self.requests.reply(reply)
        if answer is None:
            return [], []
        if not isinstance(answer, Ended):
            return [], []
        self.watch.ended(answer)
        request = answer.open.request
        text = (
            f"the controller refused the flow check of gun {request.gun} for {request.setup}: "
            f"{reply.reason or 'it gave no reason'}"
        )
        given = self._panel.report("request-refused", True, reply.arrived_s, text, reply.reason or "")
        return [*given], self._no_more(answer)

    def passed(self, now_s: float) -> tuple[list[Record], list[Ripe]]:
        """Requests that ran out, and the groups that end because of it."""
        given: list[Record] = []
        ended, ripe = self._ran_out(now_s)
        for one in ended:
            if one.how == "silent":
                request = one.open.request
                text = (
                    f"the controller did not answer the request for a flow check of gun {request.gun} "
                    f"for {request.setup}"
                )
                given += self._panel.report("controller-silent", True, one.at_s, text)
        return given, ripe

    def heard(self, at_s: float) -> list[Alert]:
        """The controller said something."""
        return self._panel.report("controller-silent", False, at_s)

    def checked(self, gun: str, at_s: float) -> None:
        """A check of a gun was given, or all its shots are in."""
        self._more.pop(gun, None)
        ended = self.requests.done(gun, at_s)
        if ended is not None:
            self.watch.ended(ended)

    def passed_all(self, setup: str, at_s: float) -> None:
        """All guns passed for a setup, and are balanced."""
        self.watch.passed(setup, at_s, self._done(at_s))

    # --- told again by the journal, after a restart: the same happens, and nothing is said ---------------

    def retold_time(self, at_s: float) -> None:
        """The journal's story has come to this time."""
        self.watch.watching(at_s)
        self._ran_out(at_s)
        self.look(at_s)

    def retold_request(self, request: Request) -> None:
        """A request was made."""
        if request.gun not in self._guns:
            return
        key = self.watch.retold(request)
        group = self._book.running(request.gun)
        if key is None and group is not None:
            at_s = epoch_s(request.at)
            self.checked(request.gun, at_s)
            if not group.asked_more:
                self._book.wait_for_more(group, request.shots, at_s)
            self._sent(group, request)
        self.requests.asked(request, key or MORE)

    def retold_reply(self, reply: Reply) -> None:
        """The controller answered a request."""
        answer = self.requests.reply(reply)
        if isinstance(answer, Ended):
            self.watch.ended(answer)
            self._no_more(answer)

    def restored(self, now_s: float) -> None:
        """All was told, and the alarms are as they were."""
        self.requests.restored()
        if self._panel.condition("check-overdue"):
            self.watch.was_overdue(now_s, self._panel.text("check-overdue"), self._done(now_s))

    def next_shift(self, now_s: float) -> NextShift | None:
        """The shift that is open or running, else the next one."""
        return self.watch.next(now_s, self._done(now_s), lambda gun: self.requests.open(gun) is not None)

    def _ask_more(self, now_s: float) -> list[Record]:
        given: list[Record] = []
        for gun, wanted in list(self._more.items()):
            group = wanted.group
            if self._book.running(gun) is not group or self._scale_busy(gun, but=gun):
                continue
            request = new_request(
                self._cell.name,
                gun,
                group.setup,
                shots=wanted.shots,
                why=wanted.why,
                request_id=record_id(
                    "request", self._cell.name, MORE, gun, *[shot.id for shot in group.shots]
                ),
                at_s=now_s,
            )
            self._sent(group, request)
            self.requests.asked(request, MORE)
            given.append(request)
        return given

    def _ask_for_shifts(self, now_s: float) -> list[Record]:
        given: list[Record] = []
        for due in self.watch.due(now_s, self._done(now_s), self._scale_busy):
            setup = self._plan.setup(due.occurrence.shift.setup)
            if setup is None:
                continue
            shift = due.occurrence.shift.name
            why = f"shift {shift} of {due.occurrence.date}" + (
                f", attempt {due.attempt}" if due.attempt > 1 else ""
            )
            request = new_request(
                self._cell.name,
                due.gun,
                setup,
                shots=setup.shots,
                why=why,
                request_id=due.request_id,
                at_s=now_s,
            )
            self.requests.asked(request, due.occurrence.key)
            given.append(request)
        return given

    def _sent(self, group: Group, request: Request) -> None:
        group.waits_until_s = epoch_s(request.expires) + duration_s(request)
        group.more_sent = True
        self._more.pop(group.gun, None)

    def _ran_out(self, now_s: float) -> tuple[list[Ended], list[Ripe]]:
        """Requests that ran out by `now_s`, and the groups that end because of it."""
        ripe: list[Ripe] = []
        over = self.requests.passed(now_s)
        for ended in over:
            self.watch.ended(ended)
            ripe += self._no_more(ended)
        for gun in [gun for gun in self._more if self._book.running(gun) is not self._more[gun].group]:
            del self._more[gun]
        return over, ripe

    def _no_more(self, ended: Ended) -> list[Ripe]:
        if ended.open.key != MORE:
            return []
        return self._book.no_more(ended.open.request.gun, ended.at_s)

    def _scale_busy(self, gun: str, but: str | None = None) -> bool:
        scale = self._cell.gun(gun).scale
        for name in self._cell.guns_on(scale):
            if self.requests.open(name) is not None:
                return True
            if name == but:
                continue
            group = self._book.running(name)
            if name in self._more or (group is not None and not group.said):
                return True
        return False

    def _done(self, now_s: float, by_s: float = math.inf) -> DoneSince:
        def done(gun: str, setup_name: str, since_s: float) -> bool:
            setup, memory = self._plan.setup(setup_name), self._guns[gun]
            check = memory.last.get(setup_name)
            if setup is None or check is None or not is_result(check):
                return False
            return epoch_s(check.ended_at) >= since_s and is_valid(memory, setup, now_s, by_s)

        return done
