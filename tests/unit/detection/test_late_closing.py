"""A closing that waited for an agent that was away is late, and no clock was set."""

from __future__ import annotations

import pytest

from agent.contract.inputs import ControllerEvent
from agent.contract.plan import Cell, Gun, Plan, Scale
from agent.detection.placing import placed_on
from agent.detection.scale_watch import ScaleWatch
from agent.detection.triggers import Triggers

T0 = 1_700_000_000.0
SCALE = Scale("floor", 0.1, 5000.0)
CELL = Cell("dock", (SCALE,), (Gun("upper", "floor"),))
PLAN = Plan("edge", "yard", "Europe/Helsinki", (CELL,), (), ())


def told(event: str, t_s: float, arrives_s: float) -> ControllerEvent:
    return ControllerEvent("dock", event, T0 + t_s, T0 + arrives_s, f"{event}-{t_s}", gun="upper")  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("closed_s", "arrives_s", "open_s", "by_arrival"),
    [
        (23.0, 23.1, 3.0, False),
        (23.0, 110.0, 3.0, False),  # the agent was away for a minute and a half
        (23.0 + 7200.0, 23.1, 3.1, True),  # set forwards
        (23.0 - 7200.0, 23.1, 3.1, True),  # set back
    ],
)
def test_a_late_closing_is_told_from_a_clock_that_was_set(
    closed_s: float, arrives_s: float, open_s: float, by_arrival: bool
) -> None:
    triggers = Triggers(CELL, PLAN)
    triggers.add(told("gun_opened", 20.0, 20.0))
    triggers.add(told("gun_closed", closed_s, arrives_s))
    (placed,) = placed_on(ScaleWatch(SCALE, PLAN), triggers, triggers.told())
    assert placed.open_s == pytest.approx(open_s)
    assert placed.by_arrival is by_arrival
