"""Numbers, signs and sentences as the report and the page print them."""

from __future__ import annotations

import pytest

from agent.report.words import amount, chance, counted, off_target, printed, sentence, signed


@pytest.mark.parametrize(
    ("value", "told"), [(0.04, "0.0"), (-0.04, "0.0"), (-0.06, "−0.1"), (1.25, "+1.2"), (-8.83, "−8.8")]
)
def test_nothing_has_no_sign(value: float, told: str) -> None:
    assert signed(value) == told


def test_a_deviation_that_rounds_to_nothing_is_on_target() -> None:
    assert off_target(-0.02) == "on target"
    assert off_target(-8.8, "target 84.0") == "−8.8 % from target 84.0"


@pytest.mark.parametrize(
    ("probability", "told"),
    [(1.0, "more than 99.9 %"), (0.99951, "more than 99.9 %"), (0.9985, "99.9 %"), (0.541, "54.1 %")],
)
def test_a_probability_is_never_certain(probability: float, told: str) -> None:
    assert chance(probability) == told
    assert chance(0.0) == "less than 0.1 %"


@pytest.mark.parametrize(
    ("value", "unit", "told"),
    [(3, "click", "3 clicks"), (-1, "click", "1 click"), (0.4, "turn", "0.4 turn"), (2, "mm", "2 mm")],
)
def test_units_of_a_knob(value: float, unit: str, told: str) -> None:
    assert amount(value, unit) == told


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("-8.8 % off (response 25 +- 12 % per turn)", "−8.8\u00a0% off (response 25 ± 12\u00a0% per turn)"),
        ("no change: -0.0 % against the new part", "no change: 0.0\u00a0% against the new part"),
        ("+0.0 g/min, -0.04 g", "0.0 g/min, −0.04 g"),
        ("booth-2, gun rim-a, 2026-03-02, n-butyl", "booth-2, gun rim-a, 2026-03-02, n-butyl"),
    ],
)
def test_signs_of_a_sentence(text: str, told: str) -> None:
    assert printed(text) == told


def test_sentences_and_plurals() -> None:
    assert sentence("gun port is out") == "Gun port is out."
    assert sentence("Done.") == "Done."
    assert sentence("") == ""
    assert (counted(1, "check"), counted(2, "check"), counted(0, "shot")) == (
        "1 check",
        "2 checks",
        "0 shots",
    )
