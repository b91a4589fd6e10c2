"""The pinned density tables against property libraries and handbook values."""

from __future__ import annotations

import importlib

import pytest

from agent.contract.fluids import ALIASES, KNOWN, known_fluid

# Development dependencies, neither of which has type hints: where one is missing these tests fail.
CoolProp = importlib.import_module("CoolProp.CoolProp")
chemicals = importlib.import_module("chemicals")
PERRY = importlib.import_module("chemicals.volume").rho_data_Perry_8E_105_l


@pytest.mark.parametrize(
    ("ours", "theirs", "digits"), [("acetone", "Acetone", 0.006), ("water", "Water", 0.001)]
)
def test_pinned_tables_are_those_of_the_property_library(ours: str, theirs: str, digits: float) -> None:
    # CoolProp HEOS / IAPWS-95 at 101.325 kPa, computed here.
    for temperature_c, density in KNOWN[ours].density_table:
        computed = CoolProp.PropsSI("D", "T", 273.15 + temperature_c, "P", 101325, theirs)
        assert density == pytest.approx(computed, abs=digits)


@pytest.mark.parametrize(
    ("name", "cas"), [("butanone", "78-93-3"), ("isopropanol", "67-63-0"), ("n-butyl acetate", "123-86-4")]
)
def test_the_other_pinned_tables_are_those_of_the_correlation_library(name: str, cas: str) -> None:
    # DIPPR equation 105 with the coefficients of Perry's Chemical Engineers' Handbook, 8th ed., table 2-32
    # (mol/m3, K) and molar masses of IUPAC, as `chemicals` ships them, computed here.
    c1, c2, c3, c4 = PERRY.loc[cas, ["C1", "C2", "C3", "C4"]]
    for temperature_c, density in KNOWN[name].density_table:
        computed = chemicals.EQ105(273.15 + temperature_c, c1, c2, c3, c4) * chemicals.MW(cas) / 1000.0
        assert density == pytest.approx(computed, rel=1e-5)


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


def test_every_table_falls_with_temperature_and_every_alias_leads_to_a_fluid() -> None:
    for fluid in KNOWN.values():
        density = [value for _, value in fluid.density_table]
        assert density == sorted(density, reverse=True)
    for alias in ALIASES:
        assert known_fluid(alias) is not None
    assert known_fluid(" MEK ") is KNOWN["butanone"]
    assert known_fluid("treacle") is None
