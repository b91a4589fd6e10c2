"""Numbers as the texts of records tell them.

The first rows are the examples of JCGM 100:2008, 7.2.6: 10.47 is told as 11 and 28.05 as 28, and a value to
the same place as its uncertainty (10.057 62 with 0.027 is 10.058).
"""

from __future__ import annotations

import math

import pytest

from agent.assessment.advice import advise, learn_response
from agent.assessment.wording import with_u
from agent.contract.plan import Needle


@pytest.mark.parametrize(
    ("value", "u", "told"),
    [
        (100.0, 10.47, "100 +- 11"),
        (100.0, 28.05, "100 +- 28"),
        (10.05762, 0.027, "10.058 +- 0.027"),
        (25.0, 12.5, "25 +- 13"),
        (25.0, 12.488, "25 +- 13"),
        (22.36, 3.42, "22.4 +- 3.5"),
        (254.0, 125.0, "250 +- 130"),
        (20.0, 12.000000000000002, "20 +- 12"),
        (87.2, 9.96, "87 +- 10"),
        (873.0, 99.7, "870 +- 100"),
        (-0.4, 0.12, "-0.40 +- 0.12"),
        (25.0, 0.0, "25"),
        (25.0, math.nan, "25"),
    ],
)
def test_an_uncertainty_has_two_digits_and_its_value_as_many_places(value: float, u: float, told: str):
    assert with_u(value, u) == told


def test_a_configured_response_of_12_and_a_half_is_not_told_as_12():
    needle = Needle(response_pct_per_unit=25.0, u_response_pct_per_unit=12.5)
    response = learn_response([], needle, about=3.0)
    turned = advise(91.2, 0.1, 100.0, 5.0, 3.0, response=response, needle=needle)
    assert "(response 25 +- 13 % per turn, as configured" in turned.reason
