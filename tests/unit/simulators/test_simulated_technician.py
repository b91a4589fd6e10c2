"""The simulated technician: follows advice, or does not, and may overdo it."""

import json
from typing import Any

import pytest

from simulators.cell import Cell
from simulators.site import bench_text, site_of


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
