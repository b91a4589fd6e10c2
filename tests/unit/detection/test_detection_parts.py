"""The detector's parts: ring, gate, blocks, idle slope, status, cost."""

from __future__ import annotations

import time
import tracemalloc

import numpy as np
import pytest

from agent.contract.inputs import ScaleReading
from agent.contract.plan import Cell, Gun, Plan, Scale, Setup
from agent.detection.blocks import in_blocks, noise_of
from agent.detection.detector import Detector
from agent.detection.gate import Gate
from agent.detection.idle import IdleSlope
from agent.detection.limits import Limits
from agent.detection.ring import MOST_READINGS, Ring

T0 = 1_700_000_000.0


def limits(resolution_g=0.1, targets=(96.0,)):
    setups = tuple(Setup(f"s{i}", "water", target) for i, target in enumerate(targets))
    return Limits.of(Scale("floor", resolution_g, 6100.0), Plan("a", "r", "UTC", (), setups, ()))


def test_the_ring_keeps_order_and_one_reading_per_time():
    ring = Ring()
    for at_s in (1.0, 2.0, 4.0):
        ring.append(at_s, 10.0 * at_s, None)
    assert ring.insert(3.0, 30.0, True)
    assert not ring.insert(2.0, 99.0, True)
    t, mass = ring.between(2.0, 4.0)
    # An interval contains its beginning and not its end.
    assert t.tolist() == [2.0, 3.0]
    assert mass.tolist() == [20.0, 30.0]
    flags = ring.stable_between(2.0, 4.0)
    assert flags is not None
    assert flags.tolist() == [False, True]
    assert ring.stable_between(1.0, 1.5) is None


def test_the_ring_is_bounded():
    ring = Ring()
    for i in range(MOST_READINGS + 500):
        ring.append(float(i), 0.0, None)
    ring.forget_before(0.0)
    assert len(ring) == MOST_READINGS
    ring.forget_before(float(MOST_READINGS))
    assert len(ring) == 500


def test_the_ring_moves_to_a_clock_that_was_set():
    ring = Ring()
    ring.append(1.0, 5.0, None)
    ring.shift(-100.0)
    ring.append(2.0, 6.0, None)
    assert ring.between(-1000.0, 1000.0)[0].tolist() == [-99.0, 2.0]


def test_limits_come_from_resolution_and_plan():
    fine, coarse = limits(0.01), limits(1.0)
    assert fine.break_s == 3.0
    assert coarse.break_s > 3.0
    assert coarse.smallest_g == 3.0
    both = limits(0.1, (60.0, 300.0))
    assert both.slowest_g_per_s == pytest.approx(0.4)
    assert both.fastest_g_per_s == pytest.approx(20.0)
    none = limits(0.1, ())
    assert none.slowest_g_per_s < 0.5 < none.fastest_g_per_s


def gate_after(masses, rate_hz=10.0):
    gate = Gate(limits())
    for i, mass in enumerate(masses):
        gate.add(i / rate_hz, float(mass))
    return gate


def test_the_gate_stays_shut_at_rest_and_learns_the_noise():
    rng = np.random.default_rng(3)
    gate = gate_after(100.0 + 0.3 * rng.standard_normal(3000))
    # Until it knows the noise it may open for nothing.
    assert all(activity.from_s < 10.0 for activity in gate.activities)
    # Three readings a block: 0.3 over root 3.
    assert gate.noise_g == pytest.approx(0.3 / np.sqrt(3.0), rel=0.6)


def test_the_gate_opens_for_a_slow_flow_and_shuts_after_it():
    t = np.arange(0.0, 60.0, 0.1)
    gate = gate_after(np.round(100.0 + 0.5 * np.clip(t - 20.0, 0.0, 20.0), 1))
    (activity,) = gate.activities
    assert 16.0 < activity.from_s < 20.5
    assert activity.to_s == pytest.approx(40.0, abs=1.5)


def test_blocks_are_medians_of_a_quarter_second():
    t = np.arange(0.0, 1.0, 0.05)
    mass = np.arange(20.0)
    mass[2] = 1e6
    times, blocks = in_blocks(t, mass)
    assert blocks.tolist() == [3.0, 7.0, 12.0, 17.0]
    assert times.tolist() == pytest.approx([0.1, 0.35, 0.6, 0.85])


def test_noise_sees_no_ramp():
    rng = np.random.default_rng(4)
    ramp = 3.0 * np.arange(4000.0)
    assert noise_of(ramp + 0.2 * rng.standard_normal(4000), 0.01) == pytest.approx(0.2, rel=0.06)
    assert noise_of(ramp, 0.1) == pytest.approx(0.029)


@pytest.mark.parametrize("slope", [-0.02, -0.005, 0.0, 0.01])
def test_the_idle_slope_is_learned_with_an_honest_uncertainty(slope):
    rng = np.random.default_rng(5)
    off = []
    for _ in range(40):
        idle = IdleSlope(0.1)
        for i in range(480):
            t = 0.25 * i
            idle.add(t, round(50.0 + slope * t + rng.uniform(0.0, 0.1) + 0.05 * rng.standard_normal(), 1))
        assert idle.slope_g_per_s is not None
        off.append((idle.slope_g_per_s - slope) / idle.u_g_per_s)
    assert np.sqrt(np.mean(np.square(off))) < 1.5
    assert idle.u_g_per_s < 0.002


def test_the_idle_slope_follows_a_new_bucket():
    idle = IdleSlope(0.01)
    for i in range(1000):
        idle.add(0.25 * i, 50.0 - 0.001 * 0.25 * i)
    for i in range(1000, 1500):
        idle.add(0.25 * i, 80.0 - 0.02 * 0.25 * i)
    assert idle.slope_g_per_s == pytest.approx(-0.02, abs=0.003)


def test_evaporation_shows_in_the_status(paper, run):
    page = paper(lasts_s=200.0, evaporation_g_per_s=0.012, rate_hz=5.0)
    page.shot(90.0, 110.0)
    played = run(page)
    (window,) = played.all
    assert window.idle_slope_g_per_s == pytest.approx(-0.012, abs=0.004)
    status = played.detector.status("floor")
    assert status.idle_slope_g_per_s == pytest.approx(-0.012, abs=0.002)
    assert status.rate_hz == pytest.approx(5.0, abs=0.1)
    assert not status.dispensing
    assert played.detector.idle_slopes()["floor"][0] == status.idle_slope_g_per_s


def test_status_while_a_gun_is_open(paper, run, give):
    page = paper(lasts_s=60.0)
    page.shot(20.0, 40.0)
    detector = run(page, []).detector
    assert detector.status("floor").heard_s is None
    give(detector, [m for m in page.messages() if m.arrived_s < T0 + 30.0])
    assert detector.measuring()
    assert detector.open_guns() == ["upper"]
    status = detector.status("floor")
    assert status.dispensing
    assert status.changing
    curve = detector.curve("floor", 10.0)
    assert curve.t_s.size == pytest.approx(100, abs=2)
    assert curve.mass_g[-1] == status.mass_g
    with pytest.raises(KeyError):
        detector.status("attic")


def test_scales_that_speak_and_scales_that_do_not(paper, run, give):
    page = paper(lasts_s=20.0, scales=("left", "right"), guns=("upper", "lower"))
    detector = run(page, []).detector
    detector.passed(T0)
    assert detector.scales_heard() == {"left": True, "right": True}
    give(detector, [m for m in page.messages() if m.scale == "left"])
    assert detector.scales_heard() == {"left": True, "right": False}
    detector.passed(T0 + 40.0)
    assert detector.scales_heard() == {"left": False, "right": False}


def test_an_empty_snapshot_changes_nothing(paper, run):
    page = paper()
    page.shot(20.0, 40.0)
    detector = run(page, []).detector
    detector.restore({})
    detector.restore(detector.snapshot())
    assert len(run(page).all) == 1


def test_readings_of_an_unknown_scale_are_left_alone(paper, run):
    detector = run(paper(), []).detector
    assert detector.reading(ScaleReading("north", "attic", T0, T0, 1.0)) == []


def many_scales():
    scales = tuple(Scale(f"s{i}", 0.1, 6100.0) for i in range(40))
    cell = Cell("north", scales, (Gun("upper", "s0"),))
    return Detector(cell, Plan("a", "r", "UTC", (cell,), (Setup("impeller", "water", 96.0),), ()))


def quiet_readings(seconds=130.0):
    rng = np.random.default_rng(6)
    return [
        ScaleReading(
            "north", f"s{s}", T0 + k / 10.0, T0 + k / 10.0 + 0.02, round(100 + rng.normal(0, 0.04), 1)
        )
        for k in range(int(10 * seconds))
        for s in range(40)
    ]


def test_a_reading_costs_microseconds():
    detector = many_scales()
    readings = quiet_readings(30.0)
    best = float("inf")
    for _ in range(3):
        detector = many_scales()
        begun = time.process_time()
        for reading in readings:
            detector.reading(reading)
        best = min(best, time.process_time() - begun)
    # 1.5 us of a desk's processor; ten times that on the slowest machine.
    assert best / len(readings) < 15e-6


def test_a_scale_at_rest_costs_little_memory():
    readings = quiet_readings()
    tracemalloc.start()
    try:
        detector = many_scales()
        for reading in readings:
            detector.reading(reading)
        used, _ = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert used / 40 < 40_000
