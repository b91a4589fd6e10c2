"""Weighing against published numbers: buoyancy, air, densities, timing, permissible errors."""

from __future__ import annotations

import math

import pytest

from agent.contract.fluids import KNOWN
from agent.flow.air import air, air_density
from agent.flow.buoyancy import WEIGHTS_KG_M3, buoyancy, buoyancy_factor
from agent.flow.fluids import BEYOND_C, density
from agent.flow.known import Known
from agent.flow.permissible import permissible_error_g
from agent.flow.timing import Lengths, Shot

CoolProp = pytest.importorskip("CoolProp.CoolProp", reason="CoolProp is a development dependency")


# Exact factor (1 - a/8000)/(1 - a/l) of ISO 4185 and NIST SOP 2; the same figures from the R package masscor.
@pytest.mark.parametrize(
    ("liquid", "kg_m3", "factor"),
    [
        ("water 20 C", 998.207, 1.0010534),
        ("acetone 20 C", 790.27, 1.0013705),
        ("acetone 25 C", 784.70, 1.0013814),
        ("butanone 20 C", 804.9, 1.0013429),
        ("isopropanol 20 C", 785.5, 1.0013798),
    ],
)
def test_buoyancy_factor(liquid: str, kg_m3: float, factor: float) -> None:
    assert buoyancy_factor(kg_m3, 1.2) == pytest.approx(factor, abs=1e-7)


# OIML R 111-1:2004 eq. E.3-1 and CIPM-2007 (Picard et al., Metrologia 45 (2008) 149) at the same states.
AIR = [
    (20.0, 1013.25, 50.0, 1.199294, 1.199314),
    (20.0, 1000.0, 50.0, 1.183543, 1.183557),
    (15.0, 1013.25, 50.0, 1.221495, 1.221631),
    (25.0, 1013.25, 50.0, 1.177359, 1.177315),
    (30.0, 1013.25, 50.0, 1.155508, 1.155513),
    (23.0, 1013.0, 45.0, 1.186436, 1.186412),
    (10.0, 950.0, 30.0, 1.167435, 1.167630),
]


@pytest.mark.parametrize(("celsius", "hpa", "humid", "oiml", "cipm"), AIR)
def test_air_density(celsius: float, hpa: float, humid: float, oiml: float, cipm: float) -> None:
    assert air_density(celsius, hpa, humid) == pytest.approx(oiml, abs=1e-6)
    assert air_density(celsius, hpa, humid) == pytest.approx(cipm, rel=3e-4)


def test_uncertainty_of_the_air_is_what_the_states_around_it_give() -> None:
    here = air(20.0, 1013.25, 50.0)
    by_hand = math.hypot(
        air_density(22.0, 1013.25, 50.0) - here.value,
        air_density(20.0, 1028.25, 50.0) - here.value,
        air_density(20.0, 1013.25, 65.0) - here.value,
    )
    assert here.u == pytest.approx(by_hand, rel=0.02)


# ISO 8655-6, annex A: Z in ul/mg for water, weights of 8000 kg/m3: rows at 101.3 and 95 kPa, 50 % humidity.
Z_FACTORS = [
    (15.0, 1013.0, 1.0020),
    (18.0, 1013.0, 1.0025),
    (20.0, 1013.0, 1.0029),
    (22.0, 1013.0, 1.0033),
    (25.0, 1013.0, 1.0040),
    (30.0, 1013.0, 1.0054),
    (15.0, 950.0, 1.0019),
    (18.0, 950.0, 1.0024),
    (20.0, 950.0, 1.0028),
    (22.0, 950.0, 1.0032),
    (25.0, 950.0, 1.0039),
    (30.0, 950.0, 1.0053),
    (20.0, 800.0, 1.0026),
    (25.0, 850.0, 1.0038),
    (25.0, 1050.0, 1.0040),
]


@pytest.mark.parametrize(("celsius", "hpa", "published"), Z_FACTORS)
def test_z_factors_of_water(celsius: float, hpa: float, published: float) -> None:
    """Volume over indicated mass is the buoyancy factor over the density."""
    water = density(KNOWN["water"], celsius)
    assert water is not None
    z = buoyancy_factor(water.value, air_density(celsius, hpa, 50.0)) / water.value * 1000.0
    assert z == pytest.approx(published, abs=1e-4)


# W1 to W4: q = (m1 - m0)/t (1 + e), ISO 4185:1980; 150 g in 30 s.
@pytest.mark.parametrize(
    ("kg_m3", "g_per_min"),
    [(790.27, 300.41116), (998.207, 300.31603)],
)
def test_static_weighing(kg_m3: float, g_per_min: float) -> None:
    assert 60.0 * (1400.0 - 1250.0) / 30.0 * buoyancy_factor(kg_m3, 1.2) == pytest.approx(g_per_min, abs=1e-4)


def test_static_weighing_as_a_volume() -> None:
    acetone = density(KNOWN["acetone"], 20.0)
    assert acetone is not None
    flow = 300.0 * buoyancy_factor(acetone.value, 1.2)
    assert flow / acetone.value * 1000.0 == pytest.approx(380.1374, abs=1e-3)


# W5 to W7: ISO 4185 annex A and ISO 8316; q = 5 g/s, dt = 0.12 s, one run of 30 s against five bursts of 6 s.
def test_several_bursts_against_one_long_run() -> None:
    bursts = [Shot("primer", 6.0, 30.6, 0.02)] * 5
    error = Lengths((Shot("primer", 30.0, 150.6, 0.02), *bursts)).error()
    assert error is not None
    assert error.value == pytest.approx(0.12, abs=1e-9)
    # The standard's own formula is of first order: t / (n - 1) (sum m_i / sum t_i / (m_L / t_L) - 1).
    assert error.value == pytest.approx(0.11952, rel=0.005)


def test_two_lengths_give_the_flow_without_the_timing_error() -> None:
    error = Lengths((Shot("primer", 30.0, 150.6, 0.02), Shot("primer", 10.0, 50.6, 0.02))).error()
    assert error is not None
    assert 150.6 / (30.0 + error.value) == pytest.approx(5.0, abs=1e-9)


@pytest.mark.parametrize(("open_s", "percent"), [(10.0, 1.0), (30.0, 0.333), (60.0, 0.167)])
def test_what_a_tenth_of_a_second_does(open_s: float, percent: float) -> None:
    """A shot that runs 0.1 s longer than told, against bursts: what the learned error says of its flow."""
    bursts = [Shot("primer", 2.0, 5.0 * 2.1, 0.02)] * 5
    error = Lengths((Shot("primer", open_s, 5.0 * (open_s + 0.1), 0.02), *bursts)).error()
    assert error is not None
    assert 100.0 * error.value / open_s == pytest.approx(percent, abs=1e-3)


# Between the tables' points: CoolProp HEOS for acetone and IAPWS-95 for water; straight lines over 5 C.
@pytest.mark.parametrize(
    ("name", "theirs", "within"), [("acetone", "Acetone", 5e-5), ("water", "Water", 6e-5)]
)
@pytest.mark.parametrize("celsius", [7.5, 12.0, 18.0, 21.3, 27.5, 33.0, 38.0])
def test_density_between_the_points(name: str, theirs: str, within: float, celsius: float) -> None:
    found = density(KNOWN[name], celsius)
    assert found is not None
    computed = CoolProp.PropsSI("D", "T", 273.15 + celsius, "P", 101325, theirs)
    assert found.value == pytest.approx(computed, rel=within)


# The spread between published sources is what the stated uncertainty must cover (DIPPR, VDI PPDS, Tanaka).
@pytest.mark.parametrize(
    ("name", "celsius", "other_source"),
    [
        ("acetone", 10.0, 803.43),
        ("acetone", 20.0, 792.24),
        ("acetone", 30.0, 780.84),
        ("acetone", 20.0, 791.15),
        ("butanone", 10.0, 815.92),
        ("butanone", 20.0, 805.17),
        ("butanone", 30.0, 794.23),
        ("isopropanol", 10.0, 795.30),
        ("isopropanol", 20.0, 786.29),
        ("isopropanol", 30.0, 777.05),
        ("water", 20.0, 998.2067),
        ("water", 30.0, 995.6488),
    ],
)
def test_other_published_densities_are_within_two_uncertainties(
    name: str, celsius: float, other_source: float
) -> None:
    found = density(KNOWN[name], celsius, u_temperature_c=0.0)
    assert found is not None
    assert abs(found.value - other_source) < 2.0 * found.u


def test_expansion_of_acetone() -> None:
    """1.41e-3 per K around 20 C: a straight line through CoolProp's densities, 10 to 35 C."""
    low, high = density(KNOWN["acetone"], 15.0), density(KNOWN["acetone"], 25.0)
    assert low is not None
    assert high is not None
    assert (low.value - high.value) / 10.0 / 790.215 == pytest.approx(1.41e-3, rel=0.01)


@pytest.mark.parametrize(
    ("name", "per_k"), [("acetone", 1.41e-3), ("water", 2.07e-4), ("isopropanol", 1.08e-3)]
)
def test_a_doubtful_temperature_makes_a_doubtful_density(name: str, per_k: float) -> None:
    """By the law of propagation (JCGM 100, 5.1.2); expansion at 20 C by handbooks (from memory)."""
    sure, doubtful = density(KNOWN[name], 20.0, 0.0), density(KNOWN[name], 20.0, 3.0)
    assert sure is not None
    assert doubtful is not None
    by_temperature = math.sqrt(doubtful.u**2 - sure.u**2) / sure.value
    # Straight lines over 5 C: at a point of the table the slope below it counts, which for water is less.
    assert by_temperature == pytest.approx(3.0 * per_k, rel=0.15)


def test_beyond_the_table_the_uncertainty_grows_and_then_nothing_is_known() -> None:
    inside, beyond = density(KNOWN["acetone"], 40.0), density(KNOWN["acetone"], 48.0)
    assert inside is not None
    assert beyond is not None
    assert beyond.value == pytest.approx(CoolProp.PropsSI("D", "T", 321.15, "P", 101325, "Acetone"), rel=1e-3)
    assert beyond.u > inside.u + 0.007 * beyond.value * 0.5
    assert density(KNOWN["acetone"], 40.0 + BEYOND_C + 0.1) is None
    assert density(KNOWN["acetone"], math.nan) is None


# OIML R 76-1:2006, table 6: maximum permissible errors on initial verification; twice that in service.
@pytest.mark.parametrize(
    ("accuracy", "interval_g", "load_g", "error_g"),
    [
        ("III", 1.0, 500.0, 0.5),
        ("III", 1.0, 501.0, 1.0),
        ("III", 1.0, 2000.0, 1.0),
        ("III", 1.0, 2001.0, 1.5),
        ("III", 0.1, 250.0, 0.15),
        ("II", 0.1, 250.0, 0.05),
        ("II", 0.1, 501.0, 0.1),
        ("II", 0.01, 250.0, 0.015),
        ("I", 0.001, 50.0, 0.0005),
        ("IIII", 5.0, 250.0, 2.5),
        ("IIII", 5.0, 255.0, 5.0),
    ],
)
def test_permissible_errors(accuracy: str, interval_g: float, load_g: float, error_g: float) -> None:
    assert permissible_error_g(accuracy, interval_g, load_g) == pytest.approx(error_g)
    assert permissible_error_g(accuracy, interval_g, load_g, in_service=True) == pytest.approx(2.0 * error_g)


def test_what_is_no_air_no_liquid_or_no_class_is_refused() -> None:
    with pytest.raises(ValueError, match="not the air of a workshop"):
        air_density(120.0, 1013.0, 50.0)
    with pytest.raises(ValueError, match="finite"):
        air_density(math.nan, 1013.0, 50.0)
    with pytest.raises(ValueError, match="cannot be weighed"):
        buoyancy_factor(1.0, 1.2)
    with pytest.raises(ValueError, match="unknown accuracy class"):
        permissible_error_g("V", 1.0, 100.0)


def test_buoyancy_carries_the_uncertainty_of_air_and_of_liquid() -> None:
    """By the law of propagation: d(factor)/d(air) is nearly 1/l - 1/8000, d(factor)/d(l) is -a/l^2."""
    factor, by_liquid = buoyancy(Known(790.0, 8.0), Known(1.2, 0.02))
    assert factor.u == pytest.approx(0.02 * (1 / 790.0 - 1 / WEIGHTS_KG_M3), rel=0.01)
    assert by_liquid == pytest.approx(8.0 * 1.2 / 790.0**2, rel=0.02)
