"""From a group of shots that is ripe to all records that follow from it, and the alarms on results."""

from __future__ import annotations

from collections.abc import Mapping

from agent.assessment.alarms import AlarmPanel
from agent.assessment.alarms_figures import WORTH_TELLING, figures_of
from agent.assessment.alarms_one import Figure
from agent.assessment.alarms_states import beyond
from agent.assessment.checks import Group
from agent.assessment.checks_judging import Judged, check_record, open_error
from agent.assessment.desk_advice import Findings, advice_record, is_off, wants_advice
from agent.assessment.desk_conditions import Around
from agent.assessment.desk_following import (
    ALL_WELL,
    Known,
    balance_record,
    cause_record,
    no_cause,
    wear_record,
)
from agent.assessment.memory import GunMemory, is_complete, is_conclusive
from agent.assessment.release import is_valid
from agent.contract.plan import Cell, Plan, Setup
from agent.contract.records import Advice, Alert, Balance, Cause, Check, Record, Wear
from agent.contract.times import epoch_s, rfc3339

WEAR_DEADBAND_PCT = 1.0
KEPT_BALANCES = 32
PLAIN = 0.6
"""From this weight on another cause is told although the checks pass."""


class Results:
    """The results of a cell: its latest checks, balance, wear, and what was said about them."""

    def __init__(self, cell: Cell, plan: Plan, panel: AlarmPanel, around: Around) -> None:
        self.guns: Mapping[str, GunMemory] = {gun.name: GunMemory(gun) for gun in cell.guns}
        self.balances: dict[str, Balance] = {}
        self._cell, self._plan, self._panel, self._around = cell, plan, panel, around
        self._wears: dict[str, Wear] = {}
        self._flags: dict[str, tuple[tuple[str, ...], ...]] = {}
        self._open_errors: dict[str, tuple[float, float]] = {}
        self._advised: set[str] = set()
        """Guns whose last advice was to do something: when all is well again, that is said once."""
        self._advices: dict[str, str] = {}
        """By gun: the id of its last advice."""
        self._conditions: dict[str, bool] = {}
        """Of the alarms on results, as the journal tells them."""
        self._blamed = False
        """The last causes told were not that all is well, and were not taken back."""

    def give(self, group: Group, judged: Judged, at_s: float) -> tuple[Check, list[Record]]:
        """The check of a group, and everything that follows from it."""
        memory = self.guns[group.gun]
        check = check_record(self._cell.name, group, judged, memory, at_s)
        self._flags[group.gun] = tuple(shot.flags for shot in group.shots)
        if (late := open_error(group.shots)) is not None:
            self._open_errors[group.gun] = late
        return check, [check, *self._follow(check, group.setup, group.formal)]

    def part_changed(self, gun: str, event_id: str, at_s: float) -> list[Record]:
        """A gun's part was replaced: what was known of wear was the old part's, and its alarms end."""
        wear = wear_record(self._cell.name, self.guns[gun], event_id, rfc3339(at_s))
        self._wears[gun] = wear
        return [wear, *self._wear_alarms(wear)]

    def restore(self, record: Record) -> None:
        """Take up what a record of the journal says, oldest first."""
        match record:
            case Check():
                setup = self._plan.setup(record.setup)
                if setup is not None and record.gun in self.guns:
                    self.guns[record.gun].checked(record, setup)
                    if is_conclusive(record) and record.source == "measured":
                        self._conditions[f"flow-off-target-{record.gun}"] = record.verdict == "fail"
            case Balance():
                self._keep(record)
                if record.verdict != "inconclusive":
                    self._conditions["unbalanced"] = record.verdict == "fail"
            case Wear() if record.gun in self.guns:
                self._wears[record.gun] = record
                self._conditions[f"plugged-{record.gun}"] = record.pattern == "plugging"
                self._conditions[f"worn-{record.gun}"] = _is_worn(record, False)
            case Advice():
                self._advices[record.gun] = record.id
                if record.change:
                    self._advised.add(record.gun)
                else:
                    self._advised.discard(record.gun)
            case Cause():
                self._blamed = record.ranked[0].code != ALL_WELL if record.ranked else False
            case _:
                pass

    def restored(self) -> None:
        """All was told: alarms that are hidden learn their condition from the results."""
        for name, active in self._conditions.items():
            self._panel.assume(name, active)

    def all_passed(self, setup: Setup) -> bool:
        """Whether every gun's latest check of a setup passed, and they are balanced."""
        checks = [memory.last.get(setup.name) for memory in self.guns.values()]
        if not all(check is not None and check.verdict == "pass" for check in checks):
            return False
        balance = self.balances.get(setup.name)
        balanced = balance is not None and balance.verdict == "pass"
        return len(checks) < 2 or (balanced and self._balance_is_of_now(setup))

    def _balance_is_of_now(self, setup: Setup) -> bool:
        told = {gun.check_id for gun in self.balances[setup.name].guns}
        return told == {memory.last[setup.name].id for memory in self.guns.values()}

    def _follow(self, check: Check, setup: Setup, formal: bool) -> list[Record]:
        memory = self.guns[check.gun]
        before = memory.last.get(setup.name)
        memory.checked(check, setup)
        if memory.last.get(setup.name) is not check:
            # Too few shots, or older than what is known: it is told, and changes nothing.
            late = before is not None and is_complete(check, setup)
            if late or not formal:
                return []
            cause = self._cause(check, setup, self.balances.get(setup.name))
            return [*([cause] if cause else []), *self._inconclusive(check)]
        if self._around.fluid_c is not None:
            self._around.temperatures.append(self._around.fluid_c)
        given: list[Record] = []
        guns = list(self.guns.values())
        balance = balance_record(self._cell.name, setup, guns, epoch_s(check.at))
        if balance is not None:
            self._keep(balance)
            given.append(balance)
        wear = wear_record(self._cell.name, memory, check.id, check.at)
        self._wears[check.gun] = wear
        given.append(wear)
        # The cause is found first: an advice must not contradict it.
        cause = self._cause(check, setup, balance)
        given += self._advice(check, setup, balance, cause)
        given += [cause] if cause else []
        if balance is None:
            return given + self._alarms(check, wear, cause)
        # An unbalance follows from its guns: it is raised after theirs, and gone before them.
        if balance.verdict == "pass":
            return [*given, *self._unbalanced(balance), *self._alarms(check, wear, cause)]
        return [*given, *self._alarms(check, wear, cause), *self._unbalanced(balance)]

    def _unbalanced(self, balance: Balance) -> list[Alert]:
        known = balance.verdict == "inconclusive" and self._panel.condition("unbalanced")
        active = balance.verdict == "fail" or known
        figure = _figure("unbalanced", balance, WORTH_TELLING * balance.limit_pct)
        return self._panel.report(
            "unbalanced", active, epoch_s(balance.at), balance.reason, balance.off or "", figure=figure
        )

    def _keep(self, balance: Balance) -> None:
        self.balances.pop(balance.setup, None)
        self.balances[balance.setup] = balance
        while len(self.balances) > KEPT_BALANCES:
            del self.balances[next(iter(self.balances))]

    def _advice(
        self, check: Check, setup: Setup, balance: Balance | None, cause: Cause | None
    ) -> list[Record]:
        given: list[Record] = []
        for name, memory in self.guns.items():
            latest = check if name == check.gun else memory.last.get(setup.name)
            if latest is None or (name != check.gun and not is_off(balance, name)):
                continue
            wanted = wants_advice(latest, setup, balance)
            if not wanted and name not in self._advised:
                continue
            found = Findings(balance, self._wears.get(name), cause, tuple(self.guns.values()))
            advice = advice_record(self._cell.name, memory, setup, found)
            if advice is None:
                continue
            if wanted:
                self._advised.add(name)
            else:
                self._advised.discard(name)
            if self._advices.get(name) != advice.id:
                self._advices[name] = advice.id
                given.append(advice)
        return given

    def _cause(self, check: Check, setup: Setup, balance: Balance | None) -> Cause | None:
        known = Known(self._around, balance, self._wears, self._flags, self._open_errors)
        cause = cause_record(self._cell.name, check, setup, list(self.guns.values()), known)
        # A check that passes can still show what will spoil parts: a hunting regulator, a leak, air.
        top = cause.ranked[0] if cause is not None else None
        plain = top is not None and top.code != ALL_WELL and top.weight >= PLAIN
        if plain or self._is_wrong(check, setup, balance):
            if top is not None:
                self._blamed = top.code != ALL_WELL
            return cause
        if not self._blamed:
            return None
        self._blamed = False
        all_well = top is not None and top.code == ALL_WELL
        return cause if all_well else no_cause(self._cell.name, check, setup)

    def _is_wrong(self, check: Check, setup: Setup, balance: Balance | None) -> bool:
        """Whether anything that is known of the cell for a setup has a cause to be looked for."""
        if check.verdict != "pass" or (balance is not None and balance.verdict != "pass"):
            return True
        if any(wear.pattern != "none" for wear in self._wears.values()):
            return True
        now_s = epoch_s(check.at)
        return any(
            memory.last[setup.name].verdict != "pass" and is_valid(memory, setup, now_s)
            for memory in self.guns.values()
            if setup.name in memory.last
        )

    def _alarms(self, check: Check, wear: Wear, cause: Cause | None) -> list[Alert]:
        gun, at_s, report = check.gun, epoch_s(check.at), self._panel.report
        given: list[Alert] = []
        if is_conclusive(check):
            likely = f"; likeliest cause: {cause.ranked[0].code}" if cause and cause.ranked else ""
            text = f"gun {gun} for {check.setup}: {check.reason}{likely}"
            given += report(f"check-inconclusive-{gun}", False, at_s)
            mark = f"{(check.deviation_pct or 0.0) > 0} {likely}"
            name = f"flow-off-target-{gun}"
            figure = _figure(name, check, WORTH_TELLING * check.tolerance_pct)
            given += report(name, check.verdict == "fail", at_s, text, mark, figure=figure)
        else:
            given += self._inconclusive(check)
        return given + self._wear_alarms(wear)

    def _wear_alarms(self, wear: Wear) -> list[Alert]:
        at_s, text, report = epoch_s(wear.at), f"gun {wear.gun}: {wear.reason}", self._panel.report
        worn, plugged = f"worn-{wear.gun}", f"plugged-{wear.gun}"
        figure = _figure(worn, wear, WEAR_DEADBAND_PCT)
        given = report(worn, _is_worn(wear, self._panel.condition(worn)), at_s, text, figure=figure)
        return given + report(plugged, wear.pattern == "plugging", at_s, text, figure=figure)

    def _inconclusive(self, check: Check) -> list[Alert]:
        text = f"the check of gun {check.gun} for {check.setup} has no result: {check.reason}"
        return self._panel.report(f"check-inconclusive-{check.gun}", True, epoch_s(check.at), text, text)


def _figure(alarm: str, record: Record, worth: float) -> Figure | None:
    value = figures_of(record).get(alarm)
    return None if value is None else Figure(value, worth)


def _is_worn(wear: Wear, was: bool) -> bool:
    grown = wear.change_pct if wear.pattern in ("drift", "step") else None
    return grown is not None and beyond(grown, wear.limit_pct, WEAR_DEADBAND_PCT, was)
