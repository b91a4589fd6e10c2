"""Units against their published factors."""

from __future__ import annotations

import pytest

from agent.contract.units import BARS, CELSIUS, GRAMS, celsius

# NIST SP 811 (2008 edition), appendix B.8; exact ones from the definitions of 1959.
PUBLISHED_G = {"lb": 4.5359237e-1 * 1e3, "oz": 2.834952e-2 * 1e3, "kg": 1e3, "mg": 1e-3, "g": 1.0}
PUBLISHED_BAR = {
    "psi": 6.894757e3 / 1e5,
    "kPa": 1e3 / 1e5,
    "MPa": 1e6 / 1e5,
    "mbar": 1e2 / 1e5,
    "Pa": 1e-5,
    "bar": 1.0,
}


@pytest.mark.parametrize(("unit", "grams"), PUBLISHED_G.items())
def test_mass(unit: str, grams: float) -> None:
    assert GRAMS[unit] == pytest.approx(grams, rel=2e-7)


@pytest.mark.parametrize(("unit", "bar"), PUBLISHED_BAR.items())
def test_pressure(unit: str, bar: float) -> None:
    assert BARS[unit] == pytest.approx(bar, rel=2e-7)


def test_the_pound_is_exact_and_the_ounce_its_sixteenth() -> None:
    assert GRAMS["lb"] == 453.59237
    assert GRAMS["oz"] * 16 == 453.59237


@pytest.mark.parametrize(
    ("value", "unit", "c"),
    # SI Brochure (9th ed.), 2.3.1: t/C = T/K - 273.15. NIST SP 811, B.8: t/C = (t/F - 32)/1.8.
    [
        (273.15, "K", 0.0),
        (373.15, "K", 100.0),
        (0.0, "K", -273.15),
        (68.0, "F", 20.0),
        (-40.0, "F", -40.0),
        (37.0, "C", 37.0),
    ],
)
def test_temperature(value: float, unit: str, c: float) -> None:
    assert celsius(value, unit) == pytest.approx(c, abs=1e-9)


def test_every_unit_of_the_contract_is_known() -> None:
    assert {"g", "kg", "mg", "oz", "lb"} <= set(GRAMS)
    assert {"bar", "kPa", "psi", "MPa"} <= set(BARS)
    assert {"C", "F", "K"} <= set(CELSIUS)
