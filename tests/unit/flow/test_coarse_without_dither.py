"""A scale with 1 g steps and almost no noise: plateaus show one number, the ramp is a staircase.

Nothing dithers, so mean after less mean before is wrong by some 2 %, while the staircase's edges tell the
ramp to a few tenths of a percent. Neither is it air in the line, nor may the uncertainty forget the rounding.
The traces are plain arithmetic and share nothing with the simulators.
"""

from __future__ import annotations

import numpy as np
import pytest

from agent.contract.fluids import known_fluid
from agent.contract.plan import Scale
from agent.detection.window import Window
from agent.flow.measuring import Measurement, measure
from agent.flow.surroundings import Surroundings

BUOYANCY = 1.0013429
"""Butanone at 20 C (published value B4)."""


def measured(seed: int, noise_g: float, configured_g: float) -> tuple[Measurement, float]:
    dice = np.random.default_rng(seed)
    flow = float(96.0 + dice.normal(0.0, 3.0))
    start_g = float(dice.uniform(200.0, 800.0))
    delay_s = float(dice.uniform(0.03, 0.12))
    t_s = np.arange(0.0, 42.0, 0.1)
    mass_g = start_g + flow / 60.0 * np.clip(t_s - 12.0 - delay_s, 0.0, 20.0)
    shown_g = np.round(mass_g + dice.normal(0.0, noise_g, t_s.size))
    window = Window(
        cell="north",
        scale="floor",
        gun="upper",
        setup="impeller-barrier",
        purpose="shot",
        t_s=t_s + 1.7e9,
        mass_g=shown_g,
        opened_s=1.7e9 + 12.0,
        closed_s=1.7e9 + 32.0,
        open_s=20.0,
        origin=f"trace-{seed}",
        ended_s=1.7e9 + 42.0,
    )
    around = Surroundings(
        scale=Scale("floor", configured_g, 6000.0), fluid=known_fluid("butanone"), fluid_c=20.0
    )
    return measure(window, around), flow * BUOYANCY


@pytest.mark.parametrize("noise_g", [0.02, 0.1, 0.2])
@pytest.mark.parametrize("configured_g", [1.0, 0.1])
def test_a_staircase_is_a_ramp(noise_g: float, configured_g: float) -> None:
    # A scale that was configured with a finer resolution than it shows is met in many shops: the steps in
    # the readings themselves say what the resolution is.
    errors, inside = [], 0
    for seed in range(25):
        found, true = measured(seed, noise_g, configured_g)
        assert found.flow_g_per_min is not None
        assert found.flow is not None
        assert "air_in_line" not in found.flags
        assert "unsteady_flow" not in found.flags
        errors.append(100.0 * (found.flow_g_per_min / true - 1.0))
        inside += abs(found.flow_g_per_min - true) <= 2.1 * found.flow.u
    assert np.sqrt(np.mean(np.square(errors))) < 0.5
    # Twenty-five 95 % intervals: fewer than twenty hits would come once in a thousand times (binomial).
    assert inside >= 20
