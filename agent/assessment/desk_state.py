"""The state of one cell's assessment, and what the controller's events do to it.

Living and restoring share it: an event does the same whether it just came or stands in the journal.
"""

from __future__ import annotations

from collections import deque

from agent.assessment.alarms_panels import cell_panel
from agent.assessment.checks import CheckBook, Ripe
from agent.assessment.desk_asking import Asking
from agent.assessment.desk_conditions import ConditionWatch
from agent.assessment.desk_results import Results
from agent.assessment.memory import GunMemory, expected_setup
from agent.assessment.release import Judgement
from agent.contract.inputs import ControllerEvent
from agent.contract.plan import Cell, Plan, Setup
from agent.contract.records import Dispense
from agent.contract.times import epoch_s

SLOW_CLOCK_S = 120.0
"""A controller's clock further off than this is not believed: the arrival counts."""


class CellState:
    """Everything a desk remembers. Its parts are bounded, each in its own way."""

    def __init__(self, cell: Cell, plan: Plan) -> None:
        self.cell, self.plan = cell, plan
        self.panel = cell_panel(cell)
        self.conditions = ConditionWatch(cell, self.panel)
        self.results = Results(cell, plan, self.panel, self.conditions.around)
        self.book = CheckBook()
        self.asking = Asking(cell, plan, self.book, self.panel, self.results.guns)
        self.events: deque[str] = deque(maxlen=512)
        """Ids of the last events: a redelivery is harmless."""
        self.loaded: str | None = None
        self.checked: str | None = None
        """Setup of the last check."""
        self.release: Judgement | None = None
        self.stale = True
        """Something happened that the release may depend on."""
        self.now_s = 0.0

    def take(self, event: ControllerEvent) -> list[Ripe]:
        """An event happened. Returns the groups of shots that end by it."""
        memory, at_s = self.gun_of(event), when_s(event)
        if event.event == "setup_loaded" and event.setup is not None:
            if event.setup != self.loaded:
                self.conditions.around.set_at_s = event.arrived_s
            self.loaded = event.setup
            self.stale = True
            for name in self.results.guns:
                group = self.book.running(name)
                if group is not None and group.setup.name != event.setup and not group.by_controller:
                    self.book.cut(name, at_s)
        elif event.event == "cell_ready" and event.ready:
            self.asking.watch.ready(event.arrived_s)
        elif memory is not None:
            return self._take_of(event, memory, at_s)
        return []

    def _take_of(self, event: ControllerEvent, memory: GunMemory, at_s: float) -> list[Ripe]:
        gun = memory.gun.name
        match event.event:
            case "gun_opened" if event.purpose not in ("shot", "bleed"):
                memory.opened(at_s)
            case "gun_opened":
                self.asking.requests.begun(gun)
            case "gun_closed":
                memory.closed(at_s)
            case "needle_set":
                memory.turned(at_s, event.setting)
                self._at_the_gun(gun, at_s, event.arrived_s)
            case "part_changed":
                memory.changed(at_s, event.part or "gun")
                self._at_the_gun(gun, at_s, event.arrived_s)
            case "check_started":
                open_request = self.asking.requests.open(gun)
                asked = open_request.request.setup if open_request is not None else self.current()
                setup = self.plan.setup(event.setup or asked or "")
                self.asking.requests.begun(gun)
                if setup is not None:
                    return self.book.started(gun, setup, event.event_id, at_s)
            case "check_ended":
                self.book.ended(gun, at_s)
            case _:
                pass
        return []

    def _at_the_gun(self, gun: str, at_s: float, now_s: float) -> None:
        self.book.cut(gun, at_s)
        self.asking.watch.changed(gun, now_s)
        self.stale = True

    def gun_of(self, event: ControllerEvent) -> GunMemory | None:
        """The gun an event is about: named, or the cell's only one; None where there is none of that name."""
        gun = event.gun if event.gun is not None else self._only_gun()
        return self.results.guns.get(gun or "")

    def current(self) -> str | None:
        """The setup that counts: the one loaded, else that of the last check."""
        return self.loaded or self.checked

    def setup(self) -> Setup | None:
        """The current setup, where it is configured."""
        return self.plan.setup(self.current() or "")

    def setup_of(self, dispense: Dispense) -> Setup | None:
        """The setup a dispense is a shot of: named, or the one that was expected and fits its length."""
        if dispense.setup is not None:
            return self.plan.setup(dispense.setup)
        gun = dispense.gun or ""
        group, request = self.book.running(gun), self.asking.requests.open(gun)
        names = [request.request.setup if request else None, self.loaded]
        names += self.asking.watch.setups(epoch_s(dispense.ended_at))
        known = [self.plan.setup(name) for name in names if name is not None]
        likely = [group.setup] if group is not None else []
        return expected_setup(dispense, [*likely, *[setup for setup in known if setup is not None]])

    def _only_gun(self) -> str | None:
        return self.cell.guns[0].name if len(self.cell.guns) == 1 else None


def when_s(event: ControllerEvent) -> float:
    """When an event happened, on the agent's clock: a controller whose clock is far off does no harm."""
    return event.t_s if abs(event.t_s - event.arrived_s) <= SLOW_CLOCK_S else event.arrived_s
