"""A shop floor without curves: dispenses are made directly, so that months of shifts pass in seconds."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pytest

from agent.assessment.desk import Conditions, Desk
from agent.contract.inputs import ControllerEvent, EventName, Reply
from agent.contract.plan import Cell, Gun, Needle, Plan, Scale, Setup, Shift
from agent.contract.records import Alert, Dispense, Record, Request
from agent.contract.times import epoch_s, rfc3339

SETUP = Setup(
    name="impeller-barrier",
    fluid="butanone",
    target_g_per_min=96.0,
    tolerance_pct=5.0,
    balance_pct=4.0,
    shot_s=20.0,
    shots=3,
    bleed_s=8.0,
    pot_pressure_bar=0.5,
)
OTHER = replace(SETUP, name="flange-primer", target_g_per_min=60.0, shot_s=30.0)
SHIFTS = (Shift("early", (0, 1, 2, 3, 4), "06:00", 30.0, SETUP.name),)


def make_cell(**changes) -> Cell:
    cell = Cell(
        name="north",
        scales=(Scale("floor", 0.1, 6100.0),),
        guns=(Gun("upper", "floor", Needle()), Gun("lower", "floor", Needle())),
        shifts=SHIFTS,
    )
    return replace(cell, **changes)


class Floor:
    """One cell's world: guns with true flows, a controller that runs checks, and the desk that watches."""

    def __init__(self, cell: Cell | None = None, start: str = "2026-03-02T00:00:00Z", seed: int = 1) -> None:
        self.cell = cell or make_cell()
        self.plan = Plan("bench", "plant", "Europe/Lisbon", (self.cell,), (SETUP, OTHER), ())
        self.desk = Desk(self.cell, self.plan)
        self.now_s = epoch_s(start)
        self.flows = {gun.name: 96.0 for gun in self.cell.guns}
        """True flow of each gun at the setup's pressure, g/min."""
        self.sd_rel = 0.003
        self.pressure_bar: float | None = 0.5
        self.said: list[Record] = []
        self.events: list[ControllerEvent] = []
        self.replies: list[Reply] = []
        self.refuses: str | None = None
        self.answers = True
        self.runs = True
        self.before_check: Callable[[str], None] = lambda _: None
        self._rng = np.random.default_rng(seed)
        self._numbers = iter(range(10**9))
        self._asked: list[Request] = []

    # what was said -----------------------------------------------------------------------------------
    def of(self, kind: type) -> list[Any]:
        return [record for record in self.said if isinstance(record, kind)]

    def last(self, kind: type):
        return self.of(kind)[-1]

    def alerts(self, name: str) -> list[str]:
        return [alert.state for alert in self.said if isinstance(alert, Alert) and alert.name == name]

    def hear(self, records: list[Record]) -> list[Record]:
        self.said += records
        self._asked += [record for record in records if isinstance(record, Request)]
        return records

    # what happens ------------------------------------------------------------------------------------
    def event(self, event: EventName, **members) -> list[Record]:
        one = ControllerEvent(
            self.cell.name, event, self.now_s, self.now_s, f"e{next(self._numbers)}", **members
        )
        self.events.append(one)
        return self.hear(self.desk.event(one))

    def make(self, gun: str, flow: float | None = None, **members) -> Dispense:
        """A dispense that ends now."""
        open_s = members.get("open_s", SETUP.shot_s)
        true = self.flows[gun] if flow is None else flow
        if self.pressure_bar is not None:
            true *= (self.pressure_bar / 0.5) ** 0.5
        seen = true * (1 + self.sd_rel * self._rng.standard_normal()) if flow is None else true
        made = Dispense(
            id=f"dispense-{next(self._numbers)}",
            cell=self.cell.name,
            at=rfc3339(self.now_s),
            gun=gun,
            scale=self.cell.gun(gun).scale,
            setup=SETUP.name,
            purpose="shot",
            check_id=None,
            started_at=rfc3339(self.now_s - (open_s or 20.0)),
            ended_at=rfc3339(self.now_s),
            open_s=open_s,
            open_s_from="controller",
            mass_g=seen * (open_s or 20.0) / 60,
            u_mass_g=0.02,
            flow_g_per_min=seen,
            u_flow_g_per_min=0.06,
            flow_ml_per_min=None,
            steady_flow_g_per_min=seen,
            evaporation_g_per_s=0.0,
            pot_pressure_bar=self.pressure_bar,
            fluid_c=20.0,
            quality="good",
            flags=(),
            n_readings=400,
        )
        return replace(made, **members)

    def shoot(self, gun: str, flow: float | None = None, *, pause_s: float = 15.0, **members):
        """A shot after a pause; its record comes as soon as it ends."""
        self.pass_time(pause_s + (members.get("open_s") or SETUP.shot_s))
        return self.hear(self.desk.dispense(self.make(gun, flow, **members)))

    def check(self, gun: str, shots: int = 3, flows: list[float] | None = None, setup: str = SETUP.name):
        """A check as the controller runs it."""
        self.before_check(gun)
        self.event("check_started", gun=gun, setup=setup)
        check_id = self.events[-1].event_id
        for number in range(len(flows) if flows else shots):
            self.shoot(
                gun,
                flows[number] if flows else None,
                check_id=check_id,
                setup=setup,
                open_s=next(one.shot_s for one in self.plan.setups if one.name == setup),
            )
        self.event("check_ended", gun=gun, setup=setup)

    def pass_time(self, seconds: float, step_s: float = 5.0) -> None:
        """Time passes; whatever is asked meanwhile waits."""
        end_s = self.now_s + seconds
        while self.now_s < end_s:
            self.now_s = min(self.now_s + step_s, end_s)
            self.hear(self.desk.passed(self.now_s))

    def run(self, until: str | float, step_s: float = 30.0) -> None:
        """Time passes until then, and the controller does what it is asked."""
        end_s = epoch_s(until) if isinstance(until, str) else until
        while self._asked:
            self.serve(self._asked.pop(0))
        while self.now_s < end_s:
            self.now_s = min(self.now_s + step_s, end_s)
            if self.pressure_bar is not None and int(self.now_s) % 600 < step_s:
                self.hear(self.desk.conditions(Conditions(self.now_s, pot_pressure_bar=self.pressure_bar)))
            self.hear(self.desk.passed(self.now_s))
            while self._asked:
                self.serve(self._asked.pop(0))

    def day(self) -> None:
        """A whole day from midnight UTC, in coarse steps but for the hour around the shift's start."""
        midnight_s = self.now_s - self.now_s % 86400
        self.run(midnight_s + 4.4 * 3600, step_s=3600.0)
        self.run(midnight_s + 6.5 * 3600, step_s=60.0)
        self.run(midnight_s + 86400, step_s=3600.0)

    def is_working_day(self) -> bool:
        return datetime.fromtimestamp(self.now_s, UTC).weekday() < 5

    def serve(self, request: Request) -> None:
        if not self.answers:
            return
        refused = self.refuses is not None
        self.reply(request, not refused, self.refuses)
        if not refused and self.runs:
            self.check(request.gun, request.shots, setup=request.setup)

    def reply(self, request: Request, accepted: bool, reason: str | None = None) -> list[Record]:
        """The controller's answer to a request."""
        self.replies.append(Reply(self.cell.name, self.now_s, request.id, accepted, reason))
        return self.hear(self.desk.reply(self.replies[-1]))

    def skip_to(self, when: str | float) -> None:
        """The agent does not run until then (and nobody asks it anything)."""
        self.now_s = epoch_s(when) if isinstance(when, str) else when
        self._asked.clear()

    def restart(self, keep: int | None = None) -> None:
        """A new desk from the journal."""
        self.desk = Desk(self.cell, self.plan)
        self.desk.restore(self.said[-keep:] if keep else list(self.said), [*self.events, *self.replies])


@pytest.fixture
def floor_of():
    """Makes a shop floor: `floor_of(cell, start=..., seed=...)`."""
    return Floor


@pytest.fixture
def floor():
    return Floor()


@pytest.fixture
def cell_of():
    return make_cell
