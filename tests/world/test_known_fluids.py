"""The pinned density tables against the property library and handbook values."""

from __future__ import annotations

import pytest

from agent.contract.fluids import ALIASES, KNOWN, known_fluid

CoolProp = pytest.importorskip("CoolProp.CoolProp", reason="CoolProp is a development dependency")


@pytest.mark.parametrize(
    ("ours", "theirs", "digits"), [("acetone", "Acetone", 0.006), ("water", "Water", 0.001)]
)
def test_pinned_tables_are_those_of_the_property_library(ours: str, theirs: str, digits: float) -> None:
    # CoolProp HEOS / IAPWS-95 at 101.325 kPa, computed here.
    for temperature_c, density in KNOWN[ours].density_table:
        computed = CoolProp.PropsSI("D", "T", 273.15 + temperature_c, "P", 101325, theirs)
        assert density == pytest.approx(computed, abs=digits)


def dippr_105(
    coefficients: tuple[float, float, float, float], molar_mass: float, temperature_c: float
) -> float:
    a, b, c, d = coefficients
    kmol_per_m3 = a / b ** (1 + (1 - (temperature_c + 273.15) / c) ** d)
    return float(kmol_per_m3 * molar_mass)


@pytest.mark.parametrize(
    ("name", "at_20_c", "at_25_c", "within"),
    [
        # CRC Handbook of Chemistry and Physics, densities at 20 and 25 C (from memory).
        ("acetone", 790.0, 784.5, 0.003),
        ("butanone", 805.4, 799.9, 0.002),
        ("isopropanol", 785.5, 780.9, 0.002),
        ("n-butyl acetate", 882.5, None, 0.003),
        # Tanaka et al. 2001, Metrologia 38, 301 (the CIPM's formula).
        ("water", 998.2067, 997.0470, 1e-5),
    ],
)
def test_handbook_anchors(name: str, at_20_c: float, at_25_c: float | None, within: float) -> None:
    table = dict(KNOWN[name].density_table)
    assert table[20.0] == pytest.approx(at_20_c, rel=within)
    if at_25_c is not None:
        assert table[25.0] == pytest.approx(at_25_c, rel=within)


def test_butanone_is_the_published_correlation() -> None:
    # DIPPR 105 coefficients of butanone, Perry 8th ed. table 2-32 (from memory): kmol/m3, K.
    for temperature_c, density in KNOWN["butanone"].density_table:
        assert density == pytest.approx(
            dippr_105((0.93767, 0.25035, 535.5, 0.29964), 72.10572, temperature_c), rel=1e-5
        )


def test_every_table_falls_with_temperature_and_every_alias_leads_to_a_fluid() -> None:
    for fluid in KNOWN.values():
        density = [value for _, value in fluid.density_table]
        assert density == sorted(density, reverse=True)
    for alias in ALIASES:
        assert known_fluid(alias) is not None
    assert known_fluid(" MEK ") is KNOWN["butanone"]
    assert known_fluid("treacle") is None
