"""A cell's state from the journal: its records and events are gone through again, and nothing is said."""

from __future__ import annotations

from collections.abc import Iterable

from agent.assessment.desk_state import CellState, when_s
from agent.assessment.memory import is_conclusive
from agent.assessment.release import Judgement
from agent.contract.inputs import ControllerEvent
from agent.contract.records import Alert, Balance, Check, Dispense, Record, Release, Request
from agent.contract.times import epoch_s


def restore(state: CellState, records: Iterable[Record], events: Iterable[ControllerEvent]) -> None:
    """Take up where the journal left off; says nothing.

    Records and events of this cell in any order. Shots that no check used yet go on with their check.
    """
    story: list[tuple[float, int, Record | ControllerEvent]] = [
        (epoch_s(record.at), 1, record) for record in records if record.cell == state.cell.name
    ]
    story += [
        (when_s(event), 0, event) for event in events if event.cell == state.cell.name and not event.retained
    ]
    story.sort(key=lambda item: item[:2])
    alerts: dict[str, Alert] = {}
    requests: list[Request] = []
    unmet: dict[str, tuple[str, bool]] = {}
    for at_s, _, item in story:
        state.now_s = max(state.now_s, at_s)
        state.asking.look(at_s)
        match item:
            case ControllerEvent():
                state.events.append(item.event_id)
                state.take(item)
                if item.event == "check_started" and item.gun in unmet:
                    unmet[item.gun] = (unmet[item.gun][0], True)
            case Alert():
                alerts[item.name] = item
            case Request():
                requests.append(item)
                unmet[item.gun] = (item.id, False)
            case Dispense():
                _take_again(state, item)
            case Release():
                until_s = None if item.valid_until is None else epoch_s(item.valid_until)
                state.release = Judgement(item.setup, item.state, item.reasons, until_s)
            case Check() if item.source == "imported":
                state.results.restore(item)
            case _:
                state.results.restore(item)
                _take_result(state, item)
                if isinstance(item, Check):
                    unmet.pop(item.gun, None)
    state.panel.restore(sorted(alerts.values(), key=lambda alert: epoch_s(alert.at)))
    state.results.restored()
    state.asking.restore(requests[-256:], dict(unmet.values()), state.now_s)
    state.stale = True


def _take_again(state: CellState, dispense: Dispense) -> None:
    memory = state.results.guns.get(dispense.gun or "")
    if memory is None or "unattributed" in dispense.flags:
        return
    memory.weighed(dispense)
    setup = state.setup_of(dispense)
    if dispense.purpose == "shot" and setup is not None:
        state.book.shot(dispense, setup)


def _take_result(state: CellState, record: Record) -> None:
    if isinstance(record, Check):
        state.checked = record.setup
        told = {shot.id for shot in record.shots} | {shot.id for shot in record.left_out}
        group = state.book.running(record.gun)
        if group is not None and {shot.id for shot in group.shots} <= told:
            state.book.said(group, closed=is_conclusive(record) and not group.by_controller)
        state.book.forget(told)
    if isinstance(record, Check | Balance):
        setup = state.plan.setup(record.setup)
        if setup is not None and state.results.all_passed(setup):
            state.asking.passed_all(record.setup, epoch_s(record.at))
