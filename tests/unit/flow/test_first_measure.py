"""A clean dispense is measured within half a percent, and the record is whole."""

from __future__ import annotations

import json

import numpy as np

from agent.contract.fluids import known_fluid
from agent.contract.plan import Scale
from agent.contract.reading_back import record_of
from agent.contract.records import to_json
from agent.detection.window import Window
from agent.flow.measuring import measure
from agent.flow.record import dispense_record
from agent.flow.surroundings import Surroundings


def clean_window(seed: int, *, flow_g_per_s: float = 2.0, open_s: float = 20.0) -> Window:
    """Levels, a straight ramp and a little noise, on a scale of 0.1 g."""
    rng = np.random.default_rng(seed)
    t = np.arange(-8.0, open_s + 10.0, 0.1)
    shown = 412.0 + flow_g_per_s / 1.0013709 * np.clip(t - 0.1, 0.0, open_s)
    mass = np.round((shown + rng.normal(0.0, 0.05, t.size)) / 0.1) * 0.1
    return Window(
        cell="north",
        scale="floor",
        gun="upper",
        setup="primer",
        purpose="shot",
        t_s=1.8e9 + t,
        mass_g=mass,
        opened_s=1.8e9,
        closed_s=1.8e9 + open_s,
        open_s=open_s,
        origin="event-1",
        ended_s=1.8e9 + t[-1],
    )


def test_a_clean_shot_is_within_half_a_percent() -> None:
    around = Surroundings(scale=Scale("floor", 0.1, 6100.0), fluid=known_fluid("acetone"), fluid_c=20.0)
    for seed in range(10):
        measured = measure(clean_window(seed), around)
        assert measured.quality == "good", measured.flags
        assert measured.flow_g_per_min is not None
        assert abs(measured.flow_g_per_min / 120.0 - 1.0) < 0.005


def test_the_record_is_whole_and_reads_back() -> None:
    around = Surroundings(scale=Scale("floor", 0.1, 6100.0), fluid=known_fluid("acetone"), fluid_c=20.0)
    window = clean_window(1)
    record = dispense_record(window, around, measure(window, around))
    assert record.flow_g_per_min is not None
    assert record.mass_g is not None
    assert record.open_s == 20.0
    assert record.flow_g_per_min == 60.0 * record.mass_g / record.open_s
    assert {line.source for line in record.budget} >= {"readings", "rounding", "drift", "timing", "buoyancy"}
    assert record_of(json.loads(to_json(record))).id == record.id
