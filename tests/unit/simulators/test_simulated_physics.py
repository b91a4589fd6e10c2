"""The simulator's physics against handbook values and published formulas."""

import math

import numpy as np
import pytest

from simulators.physics.container import Bump, Container
from simulators.physics.fluids import LIQUIDS, liquid
from simulators.physics.gun import Gun, fit_to_target
from simulators.physics.orifice import annulus_mm2, bore_mm2, jet_speed_m_per_s, mass_flow_g_per_s
from simulators.physics.pot import Pot
from simulators.physics.scale import Scale, ScaleSpec, apparent_g, jet_g
from simulators.physics.valve import Stroke, Valve


def rng(seed: int = 1) -> np.random.Generator:
    return np.random.default_rng(seed)


def test_a_common_nozzle_gives_a_common_shot() -> None:
    # Common practice, no source: 60 to 75 g of acetone in 30 s through 0.8 mm at 5 psi.
    shot_g = 30 * mass_flow_g_per_s(bore_mm2(0.8), LIQUIDS["acetone"].density(20.0), 0.345, 0.6)
    assert 60.0 < shot_g < 75.0


@pytest.mark.parametrize(
    ("times_the_pressure", "times_the_flow"), [(4.0, 2.0), (2.0, math.sqrt(2)), (1.21, 1.1)]
)
def test_flow_follows_the_square_root_of_pressure(times_the_pressure: float, times_the_flow: float) -> None:
    # Extension service slides on nozzles: four times the pressure doubles the flow.
    ratio = mass_flow_g_per_s(0.5, 800.0, 0.5 * times_the_pressure) / mass_flow_g_per_s(0.5, 800.0, 0.5)
    assert ratio == pytest.approx(times_the_flow, rel=1e-12)


def test_acetone_passes_less_mass_than_water_through_the_same_hole() -> None:
    # Mass flow goes with the root of density: x0.88977 for acetone against water at 20 C.
    acetone = mass_flow_g_per_s(0.5, LIQUIDS["acetone"].density(20.0), 1.0)
    water = mass_flow_g_per_s(0.5, LIQUIDS["water"].density(20.0), 1.0)
    assert acetone / water == pytest.approx(0.88977, abs=1e-4)


@pytest.mark.parametrize(
    ("lift_mm", "area_mm2"),
    [
        (0.1, 0.0754415),
        (0.2, 0.1490173),
        (0.5, 0.3585494),
        (1.0, 0.6704531),
        (3.5887957, 1.5393804),
        (9, 1.5393804),
    ],
)
def test_a_conical_needle_opens_as_published(lift_mm: float, area_mm2: float) -> None:
    # Geometry of the Simscape Needle Valve (IL) reference page, d0 = 1.4 mm, 20 degrees.
    assert annulus_mm2(lift_mm, 1.4, 20.0) == pytest.approx(area_mm2, abs=1e-7)


@pytest.mark.parametrize(("bar", "speed"), [(1.0, 15.908), (2.0, 22.498)])
def test_jet_speed(bar: float, speed: float) -> None:
    # Torricelli, acetone at 20 C.
    assert jet_speed_m_per_s(bar, 790.27) == pytest.approx(speed, abs=1e-3)


@pytest.mark.parametrize(("speed", "grams"), [(5.0, 2.549), (10.0, 5.099), (20.0, 10.197)])
def test_a_jet_of_five_grams_a_second_weighs_on_the_pan(speed: float, grams: float) -> None:
    # F = m' v; a textbook's 10 kg/s of water at 20 m/s push 200 N.
    assert jet_g(np.array([5.0]), np.array([speed]))[0] == pytest.approx(grams, abs=1e-3)
    assert jet_g(np.array([1e4]), np.array([20.0]))[0] * 9.80665e-3 == pytest.approx(200.0)


@pytest.mark.parametrize(
    ("density", "air", "factor"),
    [(998.207, 1.2, 1.0010534), (790.27, 1.2, 1.0013705), (804.9, 1.2, 1.0013429)],
)
def test_liquid_weighs_less_in_air(density: float, air: float, factor: float) -> None:
    # Buoyancy factor of NIST SOP 2 as coded in the R package masscor.
    assert 1 / apparent_g(np.array([1.0]), density, air)[0] == pytest.approx(factor, abs=1e-7)


@pytest.mark.parametrize(
    ("name", "celsius", "kpa", "within"),
    [
        ("acetone", 20, 24.66, 0.02),
        ("butanone", 25, 12.09, 0.03),
        ("isopropanol", 20, 4.21, 0.07),
        ("water", 25, 3.17, 0.02),
    ],
)
def test_vapour_pressure(name: str, celsius: float, kpa: float, within: float) -> None:
    # CoolProp (acetone, water: IAPWS) and McGarry's Wagner equation (butanone, isopropanol).
    assert liquid(name).vapour_pressure_pa(celsius) / 1000 == pytest.approx(kpa, rel=within)


@pytest.mark.parametrize(
    ("name", "air", "opening_m", "lost_g"),
    [
        ("acetone", 0.1, 0.25, 0.63),
        ("acetone", 0.5, 0.25, 2.2),
        ("acetone", 0.1, 0.05, 0.03),
        ("butanone", 0.5, 0.25, 0.96),
    ],
)
def test_evaporation_in_thirty_seconds(name: str, air: float, opening_m: float, lost_g: float) -> None:
    # Kawamura and Mackay 1987; values of an independent computation. The 5 cm row is rounded to one digit.
    assert 30 * liquid(name).evaporation_g_per_s(20.0, opening_m, air) == pytest.approx(lost_g, rel=0.2)


def test_an_unknown_liquid_is_named() -> None:
    with pytest.raises(KeyError, match="no liquid called 'milk'"):
        liquid("milk")


@pytest.mark.parametrize("target", [40.0, 96.0, 300.0])
def test_a_fitted_gun_gives_its_target_and_answers_to_the_knob(target: float) -> None:
    gun = Gun("upper", repeatability_pct=0.0)
    fit_to_target(gun, target, 0.5, 805.0)
    assert 60 * gun.conductance(805.0) * math.sqrt(0.5) == pytest.approx(target, rel=1e-9)
    gun.setting += 0.5
    # Common practice, no source: half a turn changes the flow by some ten percent.
    assert 1.05 < 60 * gun.conductance(805.0) * math.sqrt(0.5) / target < 1.15
    with pytest.raises(ValueError, match="cannot be made"):
        fit_to_target(gun, -1.0, 0.5, 805.0)


def test_wear_and_plugging_are_percent_of_the_flow() -> None:
    gun = Gun("upper")
    new = gun.conductance(800.0)
    gun.wear_pct = 8.0
    assert gun.conductance(800.0) == pytest.approx(1.08 * new)
    gun.plug_pct = 50.0
    assert gun.conductance(800.0) == pytest.approx(0.54 * new)


def test_a_stroke_lets_through_its_trapezoid() -> None:
    stroke = Stroke(10.0, 0.04, 30.0, 0.02)
    # Area of a trapezoid of 20 s with ramps of 40 and 20 ms.
    assert stroke.effective_open_s == pytest.approx(20.0 - 0.02 + 0.01)
    fine = np.linspace(9.0, 31.0, 5001)
    assert (np.diff(stroke.open_time_s(fine)) >= 0.0).all()
    assert Stroke(10.0, 0.04, 10.0, 0.02).effective_open_s >= 0.0


def dispensed(gun: Gun, shot_s: float = 20.0, bar: float = 0.5, step_s: float = 0.02) -> float:
    t = np.arange(0.0, shot_s + 40.0, step_s)
    gun.open(5.0, rng())
    gun.close(5.0 + shot_s)
    return float(gun.mass_g(t, np.full(t.size - 1, bar), 800.0).sum())


def test_the_mass_of_a_shot_does_not_depend_on_the_step() -> None:
    grams = [dispensed(Gun("g", repeatability_pct=0.0), step_s=step) for step in (0.005, 0.02, 0.5)]
    assert grams[0] == pytest.approx(grams[1], rel=1e-12)
    assert grams[0] == pytest.approx(grams[2], rel=1e-12)
    assert grams[0] == pytest.approx(20.0 * Gun("g").conductance(800.0) * math.sqrt(0.5), rel=0.002)


def test_drip_leak_and_air_change_what_comes_out() -> None:
    plain = dispensed(Gun("g", repeatability_pct=0.0))
    assert dispensed(Gun("g", repeatability_pct=0.0, drip_g=1.5)) == pytest.approx(plain + 1.5, abs=1e-3)
    assert dispensed(Gun("g", repeatability_pct=0.0, leak_g_per_s=0.01)) == pytest.approx(
        plain + 0.6, abs=1e-3
    )
    airy = Gun("g", repeatability_pct=0.0, air_ml=10.0)
    # The air takes the place of its own volume of liquid.
    assert dispensed(airy) == pytest.approx(plain - 8.0, rel=0.02)
    assert airy.air_ml == 0.0


def test_a_gun_is_not_opened_twice_and_may_be_closed_twice() -> None:
    gun = Gun("g", valve=Valve())
    gun.open(0.0, rng())
    with pytest.raises(ValueError, match="open already"):
        gun.open(1.0, rng())
    gun.close(2.0)
    gun.close(3.0)
    assert gun.strokes[-1].closing_from_s == pytest.approx(2.05)
    assert gun.is_flowing(2.0)
    assert not gun.is_flowing(4.0)


def test_the_regulator_droops_creeps_and_recovers() -> None:
    pot = Pot(set_bar=0.5, droop_bar_per_g_s=0.01, ripple_pct=0.0)
    pot.start(0.0)
    pot.demand(2.0, 10.0)
    flowing = pot.pressure_bar(np.array([10.0, 60.0]))
    assert flowing[0] == pytest.approx(0.5)
    # On the droop line: p = 0.5 - 0.01 q with q = 2 sqrt(p).
    assert flowing[1] == pytest.approx(0.5 - 0.01 * 2.0 * math.sqrt(flowing[1]), abs=1e-9)
    pot.demand(0.0, 60.0)
    assert pot.pressure_bar(np.array([90.0]))[0] == pytest.approx(0.5, abs=1e-6)
    pot.creep_pct_per_h = 6.0
    assert pot.pressure_bar(np.array([3600.0 + 60.0]))[0] == pytest.approx(0.5 * 1.061, rel=1e-3)
    pot.set(0.8, 4000.0)
    assert pot.pressure_bar(np.array([4060.0]))[0] == pytest.approx(0.8, rel=2e-3)


def scale(**changes: float) -> Scale:
    return Scale(ScaleSpec(**({"noise_g": 0.0} | changes)), rng())  # type: ignore[arg-type]


def grid(seconds: float, spec: ScaleSpec) -> np.ndarray:
    step = 1 / (spec.rate_hz * spec.inner_steps)
    return np.arange(1, round(seconds / step) + 1) * step


def test_the_filter_is_one_pole_however_it_is_cut_up() -> None:
    whole = scale(lag_s=0.5, resolution_g=1e-6)
    t = grid(10.0, whole.spec)
    load = np.where(t >= 1.0, 100.0, 0.0)
    shown = whole.read(t, load).mass_g
    after = whole.read(t + 10.0, load * 0 + 100.0).mass_g
    # 63.2 % one time constant after the step (step response of a first-order system).
    assert shown[14] == pytest.approx(100 * (1 - math.exp(-1)), abs=2.5)
    assert after[-1] == pytest.approx(100.0, abs=1e-5)
    parts = scale(lag_s=0.5, resolution_g=1e-6)
    cut = np.concatenate([parts.read(t[a:b], load[a:b]).mass_g for a, b in ((0, 5), (5, 130), (130, 500))])
    assert cut == pytest.approx(shown, abs=2e-6)


def test_rounding_stability_and_overload() -> None:
    floor = scale(resolution_g=0.1, lag_s=0.0, capacity_g=1000.0)
    t = grid(6.0, floor.spec)
    load = np.where(t < 2.0, 50.0, np.where(t < 4.0, 50.0 + 100 * (t - 2.0), 1200.0))
    seen = floor.read(t, load)
    assert set(seen.mass_g[:19]) == {50.0}
    assert not seen.stable[:6].any()  # not yet watched for long enough
    assert seen.stable[10:19].all()
    assert not seen.stable[25:40].any()
    assert np.isnan(seen.mass_g[-1])
    assert not seen.stable[-1]


def test_tare_warm_up_and_zero_tracking() -> None:
    cold = scale(warm_up_g=2.0, warm_up_s=100.0, resolution_g=0.001, lag_s=0.0)
    t = grid(1000.0, cold.spec)
    shown = cold.read(t, np.full(t.size, 10.0)).mass_g
    assert shown[0] == pytest.approx(8.0, abs=0.01)
    assert shown[-1] == pytest.approx(10.0, abs=0.01)
    cold.zero()
    assert cold.read(t + 1000.0, np.full(t.size, 10.0)).mass_g[-1] == pytest.approx(0.0, abs=0.001)

    creeping = scale(zero_tracking_d_per_s=0.5, resolution_g=0.1, lag_s=0.0)
    t = grid(60.0, creeping.spec)
    slow = creeping.read(t, 0.01 * t).mass_g
    assert np.abs(slow).max() == 0.0
    assert creeping.read(t + 60.0, np.full(t.size, 50.0)).mass_g[-1] == pytest.approx(49.4, abs=0.11)


def test_a_scale_refuses_half_a_reading() -> None:
    with pytest.raises(ValueError, match="no whole number of readings"):
        scale().read(np.arange(7.0), np.zeros(7))


def test_bumps_pass_and_an_empty_bucket_loses_nothing() -> None:
    bucket = Container(opening_m=0.2, bumps=[Bump(1.0, 0.5, 100.0), Bump(2.0, 0.5, 50.0, 8.0)])
    t = np.arange(0.0, 4.0, 0.01)
    force = bucket.force_g(t)
    assert force.max() == pytest.approx(100.0, rel=0.01)
    assert force[-1] == 0.0
    assert bucket.bumps == []
    assert bucket.evaporation_g_per_s(LIQUIDS["acetone"], 20.0) == 0.0
    bucket.content_g = 100.0
    assert bucket.evaporation_g_per_s(LIQUIDS["acetone"], 20.0) > 0.0
