"""Thousands of random shots with their truth: none missed, none invented, the spoiled ones known.

The traces come from the simulator's physics, which shares no code with the detector. Where detection leaves
it to flow whether air or a moved container took grams, flow is asked.
"""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest
from traced_windows import windows_of

from agent.contract.fluids import known_fluid
from agent.contract.plan import Scale
from agent.detection.window import Window
from agent.flow.measuring import measure
from agent.flow.surroundings import Surroundings
from simulators.traces import FAMILIES, Family, Trace, random_trace

SPOILS = {"container_moved", "scale_overload", "no_plateau_after", "no_plateau_before"}
FEW = 25
MANY = 910
"""Of each of eleven families: 10,010 shots."""


def is_noted(window: Window, trace: Trace) -> bool:
    """Whether the window is known to be spoiled."""
    if window.notes & SPOILS or not window.losses_s:
        return bool(window.notes & SPOILS)
    scale = Scale("floor", trace.resolution_g, trace.capacity_g)
    around = Surroundings(scale, known_fluid(trace.fluid), trace.fluid_c)
    return measure(window, around).quality == "rejected"


def study(family: Family, shots: int) -> Counter[str]:
    """Counts of what went wrong with so many shots of a family."""
    wrong: Counter[str] = Counter()
    for i in range(shots):
        trace = random_trace(np.random.default_rng([2026, FAMILIES.index(family), i]), family)
        windows = windows_of(trace)
        if not windows:
            wrong["missed"] += 1
            continue
        wrong["invented"] += len(windows) - 1
        window = windows[0]
        wrong["spoiled and not noted"] += trace.spoiled and not is_noted(window, trace)
        wrong["noted and not spoiled"] += not trace.spoiled and is_noted(window, trace)
        if not trace.spoiled:
            far_s = 0.7 if trace.controller else 1.0
            off_s = max(abs(window.opened_s - trace.opened_s), abs(window.closed_s - trace.closed_s))
            wrong["times off"] += off_s > far_s
            wrong["truth outside"] += not window.t_s[0] < trace.opened_s < trace.closed_s < window.t_s[-1]
    return +wrong


@pytest.mark.parametrize("family", FAMILIES)
def test_random_shots(family):
    wrong = study(family, FEW)
    assert wrong["missed"] == 0
    assert wrong["invented"] == 0
    assert wrong["spoiled and not noted"] == 0
    assert wrong["truth outside"] == 0
    assert wrong["noted and not spoiled"] + wrong["times off"] <= 1


@pytest.mark.slow
@pytest.mark.timeout(3600)
@pytest.mark.skipif("not config.getoption('-m')", reason="ten thousand shots: asked for with -m slow")
@pytest.mark.parametrize("family", FAMILIES)
def test_ten_thousand_random_shots(family):
    wrong = study(family, MANY)
    print(f"{family}: {MANY} shots, {dict(wrong) or 'nothing wrong'}")
    assert wrong["missed"] == 0
    assert wrong["invented"] == 0
    assert wrong["spoiled and not noted"] == 0
    assert wrong["truth outside"] == 0
    assert wrong["noted and not spoiled"] + wrong["times off"] <= 0.02 * MANY
