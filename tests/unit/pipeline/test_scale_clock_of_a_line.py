"""What stands on our clock is looked up for a dispense by one idea of how far its scale's clock is off."""

from __future__ import annotations

import numpy as np
import pytest

from agent.contract.inputs import ControllerEvent, PotPressure, ScaleReading
from agent.contract.plan import Cell, Gun, Plan, Scale, Setup
from agent.contract.records import Dispense
from agent.pipeline.cell_line import CellLine

T0 = 1_781_157_600.0
OPENED_S, CLOSED_S = 15.0, 35.0
CELL = Cell("west", scales=(Scale("floor", 0.1, 6100.0),), guns=(Gun("upper", "floor"),))
SETUP = Setup("barrier", "water", 96.0, shot_s=20.0, pot_pressure_bar=0.5)


@pytest.mark.parametrize("behind_s", [0.0, 8.0])
@pytest.mark.parametrize("ahead_s", [0.0, -3600.0])
def test_readings_that_came_late_after_a_shot_do_not_move_its_pot_pressure(
    behind_s: float, ahead_s: float
) -> None:
    line = CellLine(CELL, Plan("edge-7", "works", "UTC", (CELL,), (SETUP,), ()))
    came: list[tuple[float, ScaleReading | ControllerEvent | PotPressure]] = []
    rng = np.random.default_rng(1)
    for at in np.arange(0.0, 70.0, 0.1):
        grams = 350.0 + 1.6 * float(np.clip(at - OPENED_S, 0.0, CLOSED_S - OPENED_S))
        shown = round(grams + 0.03 * rng.standard_normal(), 1)
        # From the closing on the line is behind.
        arrives = float(at) + 0.02 + (behind_s if at > CLOSED_S else 0.0)
        came.append((arrives, ScaleReading("west", "floor", T0 + at + ahead_s, T0 + arrives, shown)))
    for at in np.arange(0.0, 80.0, 0.5):
        bar = 0.5 if at < CLOSED_S + 0.5 else 0.9
        came.append((float(at), PotPressure("west", T0 + at, T0 + at, bar)))
    for at, event in ((OPENED_S, "gun_opened"), (CLOSED_S, "gun_closed")):
        told = ControllerEvent("west", event, T0 + at, T0 + at, event, gun="upper", setup="barrier")  # type: ignore[arg-type]
        came.append((at, told))
    records = [record for _, one in sorted(came, key=lambda one: one[0]) for record in line.take(one).records]
    (dispense,) = [one for one in (*records, *line.finish().records) if isinstance(one, Dispense)]
    assert dispense.pot_pressure_bar == pytest.approx(0.5, abs=0.01)
