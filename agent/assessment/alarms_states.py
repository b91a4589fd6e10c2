"""The life of one alarm as a table of states: ISA-18.2 / IEC 62682.

The seven states and their short names are those of ISA-18.2. The condition of the process (active or
normal) and the state of the alarm are two things: a shelved alarm follows its condition unseen.
"""

from __future__ import annotations

from typing import Literal, TypeAlias

from agent.contract.records import AlarmState

AlarmEvent: TypeAlias = Literal[
    "active",
    "normal",
    "acknowledge",
    "shelve",
    "unshelve",
    "suppress",
    "unsuppress",
    "remove_from_service",
    "return_to_service",
]

_LIFE: dict[tuple[AlarmState, AlarmEvent], AlarmState] = {
    ("NORM", "active"): "UNACK",
    ("UNACK", "acknowledge"): "ACKED",
    ("UNACK", "normal"): "RTNUN",
    ("ACKED", "normal"): "NORM",
    ("RTNUN", "acknowledge"): "NORM",
    ("RTNUN", "active"): "UNACK",
}
_HIDING: dict[AlarmEvent, AlarmState] = {
    "shelve": "SHLVD",
    "suppress": "DSUPR",
    "remove_from_service": "OOSRV",
}
_SHOWING: dict[tuple[AlarmState, AlarmEvent], bool] = {
    ("SHLVD", "unshelve"): True,
    ("DSUPR", "unsuppress"): True,
    ("OOSRV", "return_to_service"): True,
}
HIDDEN: frozenset[AlarmState] = frozenset(_HIDING.values())
"""States in which an alarm calls nobody."""


def next_state(state: AlarmState, event: AlarmEvent, active: bool) -> AlarmState:
    """The state an alarm goes to.

    `active` says whether its condition is active, after the delays: an alarm that comes back from hiding
    is NORM or UNACK by it. An event that the table does not name for a state changes nothing.
    """
    if (state, event) in _LIFE:
        return _LIFE[state, event]
    if (state, event) in _SHOWING:
        return "UNACK" if active else "NORM"
    if event in _HIDING and state not in HIDDEN:
        return _HIDING[event]
    return state


def beyond(value: float, limit: float, deadband: float, was_beyond: bool) -> bool:
    """Whether a value is beyond a high limit, with a deadband.

    True from `limit` up, false again from `limit - deadband` down, and what it was in between. All in the
    value's own unit.
    """
    if was_beyond:
        return value > limit - deadband
    return value >= limit
