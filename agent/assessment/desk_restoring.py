"""A cell's state from the journal: all that happened is gone through again, and nothing is said.

What was asked, answered, begun and measured happens to the state in the order in which it happened, so that
after a restart the desk goes on as if there had been none. The newest word on a thing (an alarm, wear, a
release) is the one that the journal has last: a clock that ran ahead dates an older word later.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TypeAlias

from agent.assessment.alarms_figures import figures_of
from agent.assessment.checks_judging import judge_group
from agent.assessment.desk_state import CellState
from agent.assessment.memory import is_complete, is_conclusive, is_result
from agent.assessment.own_clock import on_own_clock
from agent.assessment.release import Judgement
from agent.contract.inputs import ControllerEvent, Reply
from agent.contract.records import (
    Advice,
    Alert,
    Balance,
    Cause,
    Check,
    Dispense,
    Record,
    Release,
    Request,
    Wear,
)
from agent.contract.times import epoch_s

Told: TypeAlias = Record | ControllerEvent | Reply


def restore(state: CellState, records: Iterable[Record], events: Iterable[ControllerEvent | Reply]) -> None:
    """Take up where the journal left off; says nothing.

    Records as they stand in the journal, oldest first; events and replies in any order. Shots that no check
    used yet go on with their check.
    """
    own = [
        on_own_clock(record) if isinstance(record, Dispense) else record
        for record in records
        if record.cell == state.cell.name
    ]
    in_checks: set[str] = set().union(*[_shots_of(check) for check in own if isinstance(check, Check)])
    for at_s, item in _story(state.cell.name, own, events):
        if not _is_from_paper(item):
            state.now_s = max(state.now_s, at_s)
            state.asking.retold_time(at_s)
        _again(state, item, in_checks)
    figures: dict[str, float] = {}
    told: dict[str, float | None] = {}
    for record in own:
        _newest_word(state, record)
        figures |= figures_of(record)
        if isinstance(record, Alert):
            told[record.name] = figures.get(record.name)
    state.panel.restore(record for record in own if isinstance(record, Alert))
    for name, figure in told.items():
        state.panel.recall(name, figure)
    state.results.restored()
    state.asking.restored(state.now_s)
    state.stale = True


def _story(
    cell: str, records: Sequence[Record], events: Iterable[ControllerEvent | Reply]
) -> list[tuple[float, Told]]:
    """Everything in the order in which it happened.

    At one time: what asks, what happens, what is said of it, what answers.
    """
    asks = [one for one in records if isinstance(one, Request) and not one.why.startswith("more shots")]
    first = {request.id for request in asks}
    story: list[tuple[float, int, Told]] = [
        (epoch_s(record.at), 0 if record.id in first else 2, record) for record in records
    ]
    story += [
        (event.arrived_s, 3 if isinstance(event, Reply) else 1, event)
        for event in events
        if event.cell == cell and not (isinstance(event, ControllerEvent) and event.retained)
    ]
    story.sort(key=lambda item: item[:2])
    return [(at_s, item) for at_s, _, item in story]


def _is_from_paper(item: Told) -> bool:
    return isinstance(item, Check) and item.source == "imported"


def _shots_of(check: Check) -> set[str]:
    return {shot.id for shot in check.shots} | {shot.id for shot in check.left_out}


def _again(state: CellState, item: Told, in_checks: set[str]) -> None:
    match item:
        case ControllerEvent():
            state.events.append(item.event_id)
            state.take(item)
        case Reply():
            state.asking.retold_reply(item)
        case Request():
            state.asking.retold_request(item)
        case Dispense():
            _weighed_again(state, item, in_checks)
        case Check() if item.source == "imported":
            state.results.restore(item)
        case Check() | Balance():
            state.results.restore(item)
            _take_result(state, item)
        case _:
            pass


def _newest_word(state: CellState, record: Record) -> None:
    match record:
        case Release():
            until_s = None if record.valid_until is None else epoch_s(record.valid_until)
            state.release = Judgement(record.setup, record.state, record.reasons, until_s)
        case Balance() | Wear() | Advice() | Cause():
            state.results.restore(record)
        case _:
            pass


def _weighed_again(state: CellState, dispense: Dispense, in_checks: set[str]) -> None:
    memory = state.results.guns.get(dispense.gun or "")
    if memory is None or "unattributed" in dispense.flags:
        return
    memory.weighed(dispense)
    setup = state.setup_of(dispense)
    if dispense.purpose != "job":
        state.asking.requests.begun(memory.gun.name)
    if dispense.purpose != "shot" or setup is None:
        return
    asked = state.asking.requests.open(memory.gun.name) is not None
    for ripe in state.book.shot(dispense, setup, asked=asked):
        group, at_s = ripe.group, ripe.at_s
        if ripe.final or group.asked_more or in_checks & {shot.id for shot in group.shots}:
            continue
        # No check was given with these shots: more of them were wanted.
        judged = judge_group(group, memory)
        if state.cell.takes_requests and judged.more(setup):
            state.asking.checked(memory.gun.name, at_s)
            state.asking.want_more(group, judged.more(setup), f"more shots: {judged.shots.reason}", at_s)


def _take_result(state: CellState, record: Check | Balance) -> None:
    if isinstance(record, Check):
        _check_was_given(state, record)
    setup = state.plan.setup(record.setup)
    if setup is not None and state.results.all_passed(setup):
        state.asking.passed_all(record.setup, epoch_s(record.at))


def _check_was_given(state: CellState, check: Check) -> None:
    state.checked = check.setup
    told = _shots_of(check)
    group = state.book.running(check.gun)
    if group is not None and {shot.id for shot in group.shots} <= told:
        over = group.asked_more or (is_conclusive(check) and not group.by_controller)
        state.book.said(group, closed=over)
    state.book.forget(told)
    state.asking.checked(check.gun, epoch_s(check.at))
    setup = state.plan.setup(check.setup)
    if setup is not None and not is_result(check):
        state.asking.watch.no_result(check.gun, check.reason, epoch_s(check.at), is_complete(check, setup))
