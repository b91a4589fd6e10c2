"""Measuring a dispense: the number, its interval, the record, and what odd input gives."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from drawn_windows import OPENED_S, around, drawn, true_g
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from agent.contract.plan import Scale
from agent.contract.reading_back import record_of
from agent.contract.record_json import to_json
from agent.detection.window import Window
from agent.flow.known import Known
from agent.flow.learned import Learned
from agent.flow.measuring import measure
from agent.flow.record import dispense_record
from agent.flow.surroundings import PotReadings, Surroundings


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("flow", [1.2, 2.5, 5.0])
def test_a_clean_shot_is_measured_to_a_thousandth(seed: int, flow: float) -> None:
    measured = measure(drawn(flow=flow, seed=seed), around())
    assert measured.quality == "good", measured.flags
    assert measured.flow_g_per_min is not None
    assert measured.mass_g == pytest.approx(true_g(flow, 20.0), rel=1.5e-3)
    assert measured.flow_g_per_min == pytest.approx(60.0 * flow, rel=1.5e-3)
    assert measured.steady_g_per_min == pytest.approx(60.0 * flow, rel=3e-3)


def test_the_interval_holds_the_truth_most_of_the_time() -> None:
    hits = 0
    for seed in range(40):
        measured = measure(drawn(seed=seed, loss_g_per_s=0.012), around())
        assert measured.flow is not None
        assert measured.flow_g_per_min is not None
        hits += abs(measured.flow_g_per_min - 120.0) <= measured.flow.expanded
    assert hits >= 34


def test_evaporation_is_added_back() -> None:
    """0.012 g/s over 20 s of opening and the plateaus: means would lose 0.9 %."""
    errors = []
    for seed in range(8):
        measured = measure(drawn(seed=seed, loss_g_per_s=0.012, before_s=12.0, after_s=14.0), around())
        assert measured.mass_g is not None
        assert measured.evaporation is not None
        assert measured.evaporation.value == pytest.approx(0.012, abs=4e-3)
        errors.append(measured.mass_g / 40.0 - 1.0)
    assert math.sqrt(np.mean(np.square(errors))) < 2e-3


def test_a_rate_seen_at_rest_sharpens_the_mass() -> None:
    window = drawn(loss_g_per_s=0.012, before_s=4.0, after_s=4.0)
    told = replace(window, idle_slope_g_per_s=-0.012, u_idle_slope_g_per_s=3e-4)
    alone, helped = measure(window, around()), measure(told, around())
    assert alone.u_mass_g is not None
    assert helped.u_mass_g is not None
    assert helped.u_mass_g < 0.7 * alone.u_mass_g
    assert helped.mass_g == pytest.approx(40.0, rel=2e-3)


def test_drip_counts() -> None:
    measured = measure(drawn(drip_g=1.0, drip_s=1.0), around())
    assert measured.mass_g == pytest.approx(true_g(2.0, 20.0, 1.0), rel=2e-3)
    assert measured.drip_g == pytest.approx(1.0, abs=0.2)


def test_a_coarse_scale_leans_on_its_ramp() -> None:
    """Steps of 1 g: plateaus say half a gram, the ramp with its commanded length says more."""
    for seed in range(5):
        window = drawn(flow=2.0, resolution_g=1.0, noise_g=0.08, seed=seed, lag_s=0.2)
        measured = measure(window, around(1.0))
        assert measured.mass_g == pytest.approx(40.0, rel=0.012)
        assert measured.u_mass_g is not None
        assert measured.u_mass_g < 0.35


def test_without_a_controller_the_curve_tells_the_open_time() -> None:
    window = replace(drawn(), open_s=None, opened_s=OPENED_S - 0.3, closed_s=OPENED_S + 20.4, u_event_s=0.5)
    measured = measure(window, around())
    assert measured.open_s_from_scale
    assert measured.open_s == pytest.approx(20.0, abs=0.05)
    assert measured.flow_g_per_min == pytest.approx(120.0, rel=4e-3)


def test_bumps_on_plateau_and_ramp_are_left_out() -> None:
    def knocks(t: np.ndarray) -> np.ndarray:
        return 60.0 * (abs(t + 5.0) < 0.2) + 25.0 * (abs(t - 8.0) < 0.15) - 40.0 * (abs(t - 26.0) < 0.3)

    measured = measure(drawn(push=knocks), around())
    assert measured.quality != "rejected", measured.why_rejected
    assert measured.mass_g == pytest.approx(40.0, rel=2e-3)


def test_the_floor_shakes() -> None:
    def shaking(t: np.ndarray) -> np.ndarray:
        return 3.0 * np.sin(2 * np.pi * 3.37 * t)

    measured = measure(drawn(push=shaking), around())
    assert measured.mass_g == pytest.approx(40.0, rel=4e-3)


def test_a_plugged_gun_gives_a_flow_of_nothing_and_no_exception() -> None:
    measured = measure(drawn(flow=0.0, jet_g=0.0), around())
    assert measured.flow_g_per_min == pytest.approx(0.0, abs=0.5)
    assert "unsteady_flow" in measured.flags


def test_the_budget_is_whole() -> None:
    scale = Scale(
        "floor", 0.1, 6100.0, accuracy_class="III", verification_interval_g=1.0, u_calibration_rel=1e-4
    )
    measured = measure(drawn(), around(scale=scale))
    by_source = {line.source: line for line in measured.budget}
    assert set(by_source) == {
        "readings",
        "rounding",
        "drift",
        "timing",
        "shape",
        "buoyancy",
        "density",
        "calibration",
        "scale",
    }
    # 412 g and 452 g at e = 1 g: 0.5 g each, a rectangle (OIML R 76-1, JCGM 100 4.3.7).
    assert by_source["scale"].u_g_per_min == pytest.approx(3.0 * 0.5 / math.sqrt(3) * math.sqrt(2), rel=2e-3)
    assert by_source["calibration"].u_g_per_min == pytest.approx(0.012, rel=0.01)
    assert measured.flow is not None
    total = math.sqrt(sum(line.u_g_per_min**2 for line in measured.budget))
    assert measured.flow.u == pytest.approx(total)


def test_no_class_no_permissible_error() -> None:
    assert "scale" not in {line.source for line in measure(drawn(), around()).budget}


def test_an_open_time_between_arrivals_is_less_certain() -> None:
    window = drawn()
    stamped = measure(window, around())
    arrived = measure(replace(window, notes=frozenset({"clock_from_arrival"})), around())
    assert stamped.u_open_s == pytest.approx(0.001)
    assert arrived.u_open_s is not None
    assert 0.02 < arrived.u_open_s < 0.05


def test_a_learned_timing_error_leads_from_the_curve_to_the_command() -> None:
    learned = Learned()
    for open_s in (10.0, 30.0) * 6:
        learned = learned.after(
            evaporation=None,
            noise_g=None,
            lag_s=None,
            open_s=open_s,
            mass_g=2.0 * (open_s + 0.3),
            u_mass_g=0.02,
        )
    window = replace(drawn(open_s=20.3), open_s=None, u_event_s=0.3)
    measured = measure(window, around(learned=learned))
    assert measured.timing_error is not None
    assert measured.timing_error.value == pytest.approx(0.3, abs=0.05)
    assert measured.open_s == pytest.approx(20.0, abs=0.12)
    record = dispense_record(window, around(learned=learned), measured)
    assert record.open_error_s == measured.timing_error.value
    assert record.u_open_error_s == measured.timing_error.u


def test_a_timing_error_that_no_shots_show_is_not_told() -> None:
    record = dispense_record(drawn(), around(), measure(drawn(), around()))
    assert record.open_error_s is None
    assert record.u_open_error_s is None


def test_volume_flow_needs_a_fluid() -> None:
    assert measure(drawn(), around()).flow_ml_per_min == pytest.approx(120.0 / 790.27 * 1000.0, rel=2e-3)
    assert measure(drawn(), around(fluid=None)).flow_ml_per_min is None


def test_the_record_is_whole_and_reads_back() -> None:
    window = drawn(check_id="check-7")
    pot = PotReadings(np.array([OPENED_S + 5.0, OPENED_S + 10.0]), np.array([0.49, 0.51]))
    surroundings = around(pot=pot, setpoint_bar=0.5)
    record = dispense_record(window, surroundings, measure(window, surroundings))
    assert record.flow_g_per_min is not None
    assert record.mass_g is not None
    assert record.open_s is not None
    assert record.flow_g_per_min == pytest.approx(60.0 * record.mass_g / record.open_s, rel=1e-12)
    assert record.pot_pressure_bar == pytest.approx(0.5)
    assert record.check_id == "check-7"
    assert record.flow_low_g_per_min is not None
    assert record.flow_high_g_per_min is not None
    assert record.flow_low_g_per_min < record.flow_g_per_min < record.flow_high_g_per_min
    assert record.started_at == "2027-01-15T08:00:00.080Z" or record.started_at.startswith(
        "2027-01-15T08:00:00."
    )
    again = record_of(json.loads(to_json(record)))
    assert again.id == record.id
    later = dispense_record(
        replace(window, ended_s=OPENED_S + 900.0), surroundings, measure(window, surroundings)
    )
    assert later.id == record.id


def test_the_same_readings_give_the_same_bytes() -> None:
    window, surroundings = drawn(loss_g_per_s=0.01), around()
    first = to_json(dispense_record(window, surroundings, measure(window, surroundings)))
    assert first == to_json(dispense_record(window, surroundings, measure(window, surroundings)))


def odd_windows() -> dict[str, Window]:
    window = drawn()
    n = window.t_s.size
    few = slice(0, 5)
    return {
        "no readings": replace(window, t_s=window.t_s[:0], mass_g=window.mass_g[:0]),
        "five readings": replace(window, t_s=window.t_s[few], mass_g=window.mass_g[few]),
        "all the same": replace(window, mass_g=np.full(n, 400.0)),
        "not a number": replace(window, mass_g=np.full(n, np.nan)),
        "some not numbers": replace(window, mass_g=np.where(np.arange(n) % 7 == 0, np.nan, window.mass_g)),
        "infinite": replace(window, mass_g=np.where(np.arange(n) == 50, np.inf, window.mass_g)),
        "huge": replace(window, mass_g=np.where(np.arange(n) > 50, 1e300, window.mass_g)),
        "falling": replace(window, mass_g=900.0 - window.mass_g),
        "one time": replace(window, t_s=np.full(n, OPENED_S)),
        "closed before it opened": replace(window, closed_s=OPENED_S - 1.0),
        "closed when it opened": replace(window, closed_s=OPENED_S, open_s=None),
        "no time at all": replace(window, opened_s=math.nan, closed_s=math.nan),
        "opened for no time": replace(window, open_s=0.0),
        "opened for a day": replace(window, open_s=86_400.0, closed_s=OPENED_S + 86_400.0),
        "only before": replace(window, t_s=window.t_s[:90], mass_g=window.mass_g[:90]),
        "only after": replace(window, t_s=window.t_s[-90:], mass_g=window.mass_g[-90:]),
        "only the ramp": replace(window, t_s=window.t_s[110:290], mass_g=window.mass_g[110:290]),
        "ninth of the readings": replace(window, t_s=window.t_s[::9], mass_g=window.mass_g[::9]),
    }


@pytest.mark.parametrize("name", odd_windows())
def test_odd_input_gives_a_record_and_no_exception(name: str) -> None:
    window, surroundings = odd_windows()[name], around()
    record = dispense_record(window, surroundings, measure(window, surroundings))
    assert "NaN" not in to_json(record)
    if name not in {"some not numbers", "ninth of the readings", "infinite", "all the same"}:
        assert record.quality == "rejected", (record.flags, record.flow_g_per_min)
        assert record.why_rejected


@pytest.mark.parametrize("told", [True, False])
def test_a_rejected_dispense_says_no_number_that_looks_like_a_result(told: bool) -> None:
    window = drawn(push=lambda t: np.where(t > 8.0, -300.0, 0.0))
    if not told:
        window = replace(window, open_s=None, u_event_s=0.3)
    record = dispense_record(window, around(), measure(window, around()))
    assert record.quality == "rejected"
    assert "container_moved" in record.flags
    body = json.loads(to_json(record))
    of_the_fit = {
        *("mass_g", "u_mass_g", "flow_g_per_min", "u_flow_g_per_min", "dof", "flow_low_g_per_min"),
        *("flow_high_g_per_min", "flow_ml_per_min", "steady_flow_g_per_min", "u_steady_flow_g_per_min"),
        "evaporation_g_per_s",
    }
    assert {name: body.get(name) for name in of_the_fit} == dict.fromkeys(of_the_fit)
    assert record.budget == ()
    assert record.open_s == (pytest.approx(20.0, abs=0.05) if told else None)
    assert record.n_readings == window.t_s.size


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    n=st.integers(0, 60),
    seed=st.integers(0, 2**32 - 1),
    open_s=st.one_of(st.none(), st.floats(-5.0, 100.0)),
    size=st.sampled_from([0.0, 1e-9, 1.0, 1e4, 1e12]),
    resolution_g=st.sampled_from([1e-6, 0.01, 1.0, 500.0]),
)
def test_whatever_comes_never_raises(
    n: int, seed: int, open_s: float | None, size: float, resolution_g: float
) -> None:
    rng = np.random.default_rng(seed)
    window = replace(
        drawn(),
        t_s=np.sort(OPENED_S + rng.uniform(-20.0, 40.0, n)),
        mass_g=rng.normal(0.0, 1.0, n) * size,
        open_s=open_s,
        closed_s=OPENED_S + float(rng.uniform(-1.0, 30.0)),
        u_event_s=float(rng.choice([0.05, 1.0])),
    )
    surroundings = around(resolution_g)
    record = dispense_record(window, surroundings, measure(window, surroundings))
    assert to_json(record)


def test_odd_air_and_odd_fluid_temperature_do_not_matter() -> None:
    for members in ({"fluid_c": 400.0}, {"fluid_c": math.nan}, {"air_temperature_c": 300.0}):
        measured = measure(drawn(), around(**members))
        assert measured.mass_g == pytest.approx(40.0, rel=3e-3)


def test_few_readings_are_no_reason_to_think_well_of_a_scale() -> None:
    window = drawn(before_s=2.0, after_s=4.0, rate_hz=2.0)
    shaky = Learned(noise_g=Known(0.4, 0.05, 12))
    alone, warned = measure(window, around()), measure(window, around(learned=shaky))
    assert alone.u_mass_g is not None
    assert warned.u_mass_g is not None
    assert warned.u_mass_g > 1.5 * alone.u_mass_g


def test_what_was_learned_helps_and_known_joins() -> None:
    both = Known(1.0, 0.3).joined(Known(2.0, 0.4))
    assert both.value == pytest.approx(1.36)
    assert both.u == pytest.approx(0.24)
    learned = Learned(evaporation=Known(0.012, 5e-4, 9))
    window = drawn(loss_g_per_s=0.012, before_s=4.0, after_s=4.0)
    alone, helped = measure(window, around()), measure(window, around(learned=learned))
    assert alone.u_mass_g is not None
    assert helped.u_mass_g is not None
    assert helped.u_mass_g < alone.u_mass_g
    assert isinstance(around(), Surroundings)
