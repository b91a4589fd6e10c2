"""What the controller told: which gun was open when, in which check, for which setup.

Events are kept as they came, in order of the controller's clock, and paired afresh whenever something is
decided, so that an event that comes late, twice or out of order ends up where it belongs. Of a gun's events
an opening and the closing after it are a dispense; an opening followed by another opening lost its closing;
a closing with no opening before it lost that.
"""

from __future__ import annotations

from collections import OrderedDict, deque
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from agent.contract.inputs import ControllerEvent
from agent.contract.plan import Cell, Plan, Setup
from agent.detection.clocks import EventClock

KEPT_IDS = 512
KEPT_CHECKS = 32
KEPT_SETUPS = 8
KEPT_EVENTS = 64
"""Unaccounted openings and closings of one gun."""
KEPT_GUNS = 64
"""A controller may name guns that the cell has not."""
CHECK_LASTS_S = 3600.0
"""A check whose end was never told is over by then: three shots and a bleed of several guns take minutes."""
STEP_S = 30.0
"""A clock that goes back by more than this between an opening and its closing was set."""


@dataclass(frozen=True, slots=True)
class Told:
    """A dispense as the controller told it; either event may be missing."""

    gun: str | None
    opened: ControllerEvent | None
    closed: ControllerEvent | None
    until: ControllerEvent | None = None
    """The next opening of the same gun, where the closing was lost: it closed before that."""

    @property
    def open_s(self) -> float | None:
        """Seconds between both events on the controller's own clock."""
        if self.opened is None or self.closed is None:
            return None
        if self.opened.from_arrival or self.closed.from_arrival:
            return self.closed.arrived_s - self.opened.arrived_s
        return self.closed.t_s - self.opened.t_s

    @property
    def arrived_apart_s(self) -> float | None:
        """Seconds between the arrivals of both events."""
        if self.opened is None or self.closed is None:
            return None
        return self.closed.arrived_s - self.opened.arrived_s


@dataclass(slots=True)
class _Span:
    gun: str | None
    check_id: str
    setup: str | None
    from_s: float
    to_s: float


class Triggers:
    """The controller's side of one cell."""

    def __init__(self, cell: Cell, plan: Plan) -> None:
        self._cell = cell
        self._plan = plan
        self.clock = EventClock()
        self._ids: OrderedDict[str, None] = OrderedDict()
        self._events: dict[str | None, list[ControllerEvent]] = {}
        self._checks: deque[_Span] = deque(maxlen=KEPT_CHECKS)
        self._setups: deque[tuple[float, str]] = deque(maxlen=KEPT_SETUPS)
        names = {shift.setup for shift in cell.shifts} or {setup.name for setup in plan.setups}
        self._only_setup = names.pop() if len(names) == 1 else None

    def add(self, event: ControllerEvent) -> bool:
        """Take an event. False where it was known already or is stale."""
        if event.retained or event.event_id in self._ids:
            return False
        self._ids[event.event_id] = None
        if len(self._ids) > KEPT_IDS:
            self._ids.popitem(last=False)
        if not event.from_arrival:
            self.clock.add(event.t_s, event.arrived_s)
        match event.event:
            case "gun_opened" | "gun_closed":
                events = self._events.setdefault(self._gun_of(event), [])
                events.append(event)
                del events[:-KEPT_EVENTS]
                if len(self._events) > KEPT_GUNS:
                    del self._events[next(iter(self._events))]
            case "check_started":
                self._start_check(event)
            case "check_ended":
                self._end_check(event)
            case "setup_loaded":
                if event.setup is not None:
                    self._setups.append((event.t_s, event.setup))
            case _:
                pass
        return True

    def told(self) -> list[Told]:
        """All dispenses not accounted for, of all guns, each gun's in order of time."""
        return [told for gun, events in self._events.items() for told in _paired(gun, events)]

    def forget(self, told: Told) -> None:
        """A dispense is accounted for."""
        events = self._events.get(told.gun, [])
        done = {event.event_id for event in (told.opened, told.closed) if event is not None}
        events[:] = [event for event in events if event.event_id not in done]
        if not events:
            self._events.pop(told.gun, None)

    def scale_of(self, told: Told) -> str | None:
        """The scale a gun shoots at; None where that cannot be known."""
        names = [scale.name for scale in self._cell.scales]
        for event in (told.opened, told.closed):
            if event is not None and event.scale in names:
                return event.scale
        for gun in self._cell.guns:
            if gun.name == told.gun:
                return gun.scale
        return names[0] if len(names) == 1 else None

    def known_gun(self, told: Told) -> str | None:
        """The gun of a dispense where the cell has it."""
        return told.gun if any(gun.name == told.gun for gun in self._cell.guns) else None

    def check_of(self, gun: str | None, at_s: float) -> tuple[str | None, str | None]:
        """Id and setup of the check a gun is in at a time on the controller's clock."""
        for span in reversed(self._checks):
            if span.from_s <= at_s < min(span.to_s, span.from_s + CHECK_LASTS_S) and span.gun in (None, gun):
                return span.check_id, span.setup
        return None, None

    def setup_of(self, named: str | None, of_check: str | None, at_s: float) -> tuple[str | None, bool]:
        """The setup of a dispense and whether it is guessed.

        The event's own, else the check's, else the last one loaded, else the only one there is: in the cell's
        shifts, or in the plan where it has none.
        """
        if named is not None or of_check is not None:
            return named or of_check, False
        loaded = [setup for t_s, setup in self._setups if t_s <= at_s]
        if loaded:
            return loaded[-1], True
        return self._only_setup, self._only_setup is not None

    def setup(self, name: str | None) -> Setup | None:
        """The plan's setup of that name, if any."""
        return self._plan.setup(name) if name is not None else None

    def _gun_of(self, event: ControllerEvent) -> str | None:
        if event.gun is None and len(self._cell.guns) == 1:
            return self._cell.guns[0].name
        return event.gun

    def _start_check(self, event: ControllerEvent) -> None:
        for span in self._checks:
            if span.gun in (None, event.gun) or event.gun is None:
                span.to_s = min(span.to_s, max(event.t_s, span.from_s))
        self._checks.append(_Span(event.gun, event.event_id, event.setup, event.t_s, float("inf")))

    def _end_check(self, event: ControllerEvent) -> None:
        for span in reversed(self._checks):
            if span.gun == event.gun and span.from_s <= event.t_s:
                span.to_s = min(span.to_s, event.t_s)
                span.setup = span.setup or event.setup
                return

    def state(self) -> dict[str, Any]:
        """What to write down for a restart, as plain JSON."""
        return {
            "ids": list(self._ids),
            "clock": self.clock.state(),
            "events": [as_json(event) for events in self._events.values() for event in events],
            "checks": [[s.gun, s.check_id, s.setup, s.from_s, min(s.to_s, 1e300)] for s in self._checks],
            "setups": [list(pair) for pair in self._setups],
        }

    def restore(self, state: dict[str, Any]) -> None:
        """Take up what was written down."""
        self._ids = OrderedDict.fromkeys(state.get("ids", []))
        self.clock.restore(state.get("clock", []))
        self._events.clear()
        for body in state.get("events", []):
            event = ControllerEvent(**body)
            self._events.setdefault(self._gun_of(event), []).append(event)
        self._checks = deque((_Span(*row) for row in state.get("checks", [])), maxlen=KEPT_CHECKS)
        self._setups = deque(((float(t), name) for t, name in state.get("setups", [])), maxlen=KEPT_SETUPS)


def as_json(event: ControllerEvent) -> dict[str, Any]:
    """An event's members that differ from their defaults."""
    body = {name: getattr(event, name) for name in ControllerEvent.__slots__}
    return {name: value for name, value in body.items() if value is not None and value is not False}


def _paired(gun: str | None, events: list[ControllerEvent]) -> list[Told]:
    told: list[Told] = []
    opened: ControllerEvent | None = None
    for event in _in_order(events):
        if event.event == "gun_opened":
            if opened is not None:
                told.append(Told(gun, opened, None, until=event))
            opened = event
        else:
            told.append(Told(gun, opened, event))
            opened = None
    if opened is not None:
        told.append(Told(gun, opened, None))
    return told


def _in_order(events: list[ControllerEvent]) -> list[ControllerEvent]:
    """By the controller's clock; by arrival where that clock was set back in between, or was not told."""
    ordered = sorted(events, key=lambda event: (event.t_s, event.arrived_s))
    by_arrival = sorted(events, key=lambda event: event.arrived_s)
    back = [a.t_s - b.t_s for a, b in pairwise(by_arrival)]
    mixed = any(event.from_arrival for event in events)
    return by_arrival if mixed or any(step > STEP_S for step in back) else ordered
