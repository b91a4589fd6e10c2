"""The simulated technician: follows advice, or does not, and may overdo it."""

import json
from typing import Any

import pytest

from simulators.bench import SprayCell
from simulators.cell import Cell
from simulators.site import SiteError, bench_text, site_of


def cell(**habits: object) -> Cell:
    made = Cell(site_of(bench_text()))
    made.technician.habits.follows_advice = True
    for name, value in habits.items():
        assert hasattr(made.technician.habits, name)
        setattr(made.technician.habits, name, value)
    return made


def advise(made: Cell, seconds: float = 60.0, **body: object) -> None:
    made.hear("plant/north/flow/advice/upper", json.dumps({"gun": "upper"} | body).encode())
    made.advance(made.now_s() + seconds)


@pytest.mark.parametrize(
    ("habits", "body", "setting"),
    [
        ({}, {"change": 0.3, "advised": None}, 2.3),
        ({}, {"change": None, "advised": 1.8}, 1.8),
        ({"turns_times": 2.0}, {"change": 0.3}, 2.6),
        ({"hand_error": 0.02}, {"change": -0.3}, 1.72),
        ({"follows_advice": False}, {"change": 0.3}, 2.0),
        ({}, {"change": 0.0}, 2.0),
        ({}, {"change": None, "advised": None}, 2.0),
        ({}, {"gun": "attic", "change": 0.3}, 2.0),
        ({"most_adjustments": 0}, {"change": 0.3}, 2.0),
    ],
)
def test_what_the_hand_does(habits: dict[str, Any], body: dict[str, Any], setting: float) -> None:
    made = cell(**habits)
    advise(made, **body)
    assert made.guns["upper"].setting == pytest.approx(setting)


def test_nobody_reaches_into_a_cell_that_sprays_and_advice_is_not_followed_twice() -> None:
    made = cell()
    made.controller.run_check("lower", shots=1)
    advise(made, 45.0, change=0.3)
    advise(made, 1.0, change=0.3)
    assert made.controller.busy
    assert made.guns["upper"].setting == 2.0
    made.advance(made.now_s() + 60.0)
    assert made.guns["upper"].setting == pytest.approx(2.3)
    assert made.technician.adjusted() == {"upper": 1}
    assert made.controller.checks_begun == {"upper": 1, "lower": 1}


def test_a_check_that_somebody_else_began_is_not_begun_again() -> None:
    made = cell(recheck_after_s=30.0)
    advise(made, 35.0, change=0.3)
    made.controller.run_check("upper", shots=1)
    made.advance(made.now_s() + 200.0)
    assert made.controller.checks_begun["upper"] == 1


CLICKS = bench_text().replace(
    'scale = "floor"\n\n  [[cells.guns]]',
    """scale = "floor"
    [cells.guns.needle]
    unit = "click"
    response_pct_per_unit = 2.0
    u_response_pct_per_unit = 1.0
    highest = 60.0
    largest_step = 8.0
    smallest_step = 1.0

  [[cells.guns]]""",
    1,
)


def test_a_knob_with_clicks_stands_at_a_click_and_moves_by_whole_ones() -> None:
    made = Cell(site_of(CLICKS))
    assert made.guns["upper"].setting == 25.0
    assert made.guns["lower"].setting == 2.0
    before = made.guns["upper"].conductance(800.0)
    made.technician.set_needle("upper", 28.4)
    assert made.guns["upper"].setting == 28.0
    # Three clicks of some 2 % each; the gap is no straight line.
    assert made.guns["upper"].conductance(800.0) / before == pytest.approx(1.06, abs=0.025)


def test_a_gun_with_clicks_is_brought_to_target_by_advice_in_clicks() -> None:
    with SprayCell(config=CLICKS, scenario="good-day") as bench:
        bench.technician.habits.follows_advice = True
        bench.set(guns={"upper": {"off_pct": -9.0}})
        bench.run_check("upper")
        bench.advance(400.0)
        first = bench.records("advice", gun="upper")[0]
        assert first["unit"] == "click"
        assert first["change"] == round(first["change"]) > 0
        assert bench.gun("upper").setting == round(bench.gun("upper").setting)
        assert bench.records("check", gun="upper")[-1]["verdict"] == "pass"


def test_a_wrong_knob_is_one_sentence() -> None:
    with pytest.raises(SiteError, match=r"cells\[0\].guns\[0\].needle: .* above 0"):
        site_of(CLICKS.replace("smallest_step = 1.0", "smallest_step = 0.0"))
