"""Every flag: a dispense that sets it and one that does not, and what follows for its quality."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from drawn_windows import OPENED_S, STEP_S, around, drawn
from traced_windows import direct_window

from agent.contract.records import Flag
from agent.contract.times import rfc3339
from agent.detection.window import Window
from agent.flow.measuring import Measurement, measure
from agent.flow.record import dispense_record
from agent.flow.surroundings import PotReadings, Surroundings
from simulators.traces import FAMILIES, Trace, random_check, random_trace

Shown = tuple[Window, Surroundings]


def spurts(since: np.ndarray) -> np.ndarray:
    """Air in the line: for half a second at a time nearly nothing comes."""
    broken = (np.abs(since - 6.0) < 0.4) | (np.abs(since - 9.0) < 0.5) | (np.abs(since - 13.0) < 0.3)
    return np.where(broken, 0.1, 2.0)


def slow(since: np.ndarray) -> np.ndarray:
    return 2.0 * (1.0 - 0.6 * np.exp(-np.maximum(since, 0.0) / 0.8))


def wandering(since: np.ndarray) -> np.ndarray:
    return 2.0 * (1.0 + 0.15 * np.sin(2.0 * np.pi * since / 8.0))


def falling(since: np.ndarray) -> np.ndarray:
    return 2.0 * (1.0 - 0.012 * (since - 10.0))


def step(grams: float, at_s: float) -> Callable[[np.ndarray], np.ndarray]:
    return lambda t: np.where(t > at_s, grams, 0.0)


def leaning(t: np.ndarray) -> np.ndarray:
    return 200.0 * np.sin(np.pi * np.clip((t - 5.0) / 25.0, 0.0, 1.0))


def without(window: Window, from_s: float, to_s: float) -> Window:
    t = window.t_s - OPENED_S
    kept = (t < from_s) | (t > to_s)
    return replace(window, t_s=window.t_s[kept], mass_g=window.mass_g[kept])


def pot(bar: float) -> PotReadings:
    return PotReadings(OPENED_S + np.arange(20.0), np.full(20, bar))


def through_a_slow_scale(kind: str, **members: Any) -> Window:
    """A dispense as a scale shows it whose filter is one lag, two in a row, or a mean over two lags."""
    lag_s = float(members.pop("lag_s"))
    if kind == "one lag":
        return drawn(lag_s=lag_s, **members)
    if kind == "two lags":
        kernel = np.exp(-np.arange(0.0, 6.0 * lag_s, STEP_S) / (0.5 * lag_s))
        kernel = np.convolve(kernel, kernel)
    else:
        kernel = np.ones(round(2.0 * lag_s / STEP_S))
    return drawn(filtered=kernel / kernel.sum(), **members)


def told_too_early(by_s: float, **members: Any) -> Window:
    window = drawn(open_s=20.0, **members)
    return replace(window, open_s=20.0 - by_s, closed_s=OPENED_S + 20.0 - by_s)


def clean() -> Shown:
    return drawn(), around(pot=pot(0.5), setpoint_bar=0.5)


def scale_of(trace: Trace) -> Surroundings:
    return around(trace.resolution_g, trace.capacity_g)


SETS: dict[Flag, list[Shown]] = {
    "after_drip": [(drawn(drip_g=1.0), around())],
    "air_in_line": [(drawn(flow=spurts), around())],
    "clock_from_arrival": [(drawn(notes=frozenset({"clock_from_arrival"})), around())],
    "container_moved": [
        (drawn(push=step(6.0, 9.0)), around()),
        (drawn(push=step(-6.0, 9.0)), around()),
        (drawn(push=step(-400.0, 9.0)), around()),
        (drawn(push=leaning), around()),
        (drawn(notes=frozenset({"container_moved"})), around()),
    ],
    "duration_disagrees": [
        (replace(drawn(open_s=20.0), open_s=21.0, closed_s=OPENED_S + 21.0), around()),
        (replace(drawn(open_s=20.0), open_s=12.0, closed_s=OPENED_S + 12.0), around()),
    ],
    "no_plateau_after": [(without(drawn(), 19.5, 99.0), around())],
    "no_plateau_before": [(without(drawn(), -99.0, 0.3), around())],
    "pressure_off_setpoint": [(drawn(), around(pot=pot(0.46), setpoint_bar=0.5))],
    "readings_missing": [(without(drawn(), 7.0, 9.0), around())],
    "recovered_after_restart": [(drawn(notes=frozenset({"recovered_after_restart"})), around())],
    "scale_overload": [(drawn(), around(capacity_g=430.0))],
    "slow_start": [(drawn(flow=slow), around())],
    "unattributed": [(drawn(gun=None), around())],
    "unsteady_flow": [(drawn(flow=wandering), around()), (drawn(flow=falling), around())],
}
LEAVES: dict[Flag, list[Shown]] = {
    "after_drip": [(drawn(drip_g=0.05), around())],
    "air_in_line": [(drawn(flow=slow), around())],
    "container_moved": [
        (drawn(push=lambda t: np.where(np.abs(t - 9.0) < 0.3, 80.0, 0.0)), around()),
        (drawn(flow=spurts), around()),
    ],
    "duration_disagrees": [(replace(drawn(open_s=20.0), open_s=20.1, closed_s=OPENED_S + 20.1), around())],
    "pressure_off_setpoint": [
        (drawn(), around(pot=pot(0.49), setpoint_bar=0.5)),
        (drawn(), around(pot=pot(0.3))),
    ],
    "readings_missing": [(without(drawn(), 7.0, 7.5), around()), (drawn(rate_hz=2.0), around())],
    "scale_overload": [(drawn(), around(capacity_g=452.0))],
    "slow_start": [(drawn(delay_s=0.2), around())],
    "unsteady_flow": [(drawn(flow=lambda since: 2.0 * (1.0 - 0.003 * (since - 10.0))), around())],
}
REJECTED: set[Flag] = {"container_moved", "scale_overload", "no_plateau_after", "no_plateau_before"}
SUSPECT: set[Flag] = {"after_drip", "air_in_line", "pressure_off_setpoint", "slow_start", "unsteady_flow"}


def each(cases: dict[Flag, list[Shown]]) -> list[tuple[Flag, Shown]]:
    return [(flag, shown) for flag, many in cases.items() for shown in many]


def measured(shown: Shown) -> Measurement:
    return measure(*shown)


@pytest.mark.parametrize(("flag", "shown"), each(SETS))
def test_sets_it(flag: Flag, shown: Shown) -> None:
    found = measured(shown)
    assert flag in found.flags
    assert list(found.flags) == sorted(found.flags)
    if flag in REJECTED:
        assert found.quality == "rejected"
        assert found.why_rejected
    if flag in SUSPECT:
        assert found.quality in {"suspect", "rejected"}


@pytest.mark.parametrize(("flag", "shown"), each(LEAVES))
def test_does_not_set_it(flag: Flag, shown: Shown) -> None:
    assert flag not in measured(shown).flags


def test_a_clean_dispense_has_no_flag_and_is_good() -> None:
    found = measured(clean())
    assert found.flags == ()
    assert found.quality == "good"
    assert found.why_rejected is None


def test_every_flag_of_the_contract_is_set_by_some_test() -> None:
    assert set(SETS) == set(Flag.__args__)  # type: ignore[attr-defined]


def test_a_wrong_duration_is_suspect_and_a_very_wrong_one_rejected() -> None:
    little, much = SETS["duration_disagrees"]
    assert measured(little).quality == "suspect"
    found = measured(much)
    assert found.quality == "rejected"
    assert found.why_rejected is not None
    assert "12.0 s were commanded" in found.why_rejected


def test_a_gap_over_a_quarter_of_the_dispense_is_rejected() -> None:
    found = measured((without(drawn(), 5.0, 12.0), around()))
    assert found.quality == "rejected"
    assert found.why_rejected is not None
    assert "no readings for 7" in found.why_rejected


@pytest.mark.parametrize("seed", range(12))
def test_a_clean_dispense_stays_clean(seed: int) -> None:
    """Nothing is set by chance."""
    assert measured((drawn(seed=seed, noise_g=0.07, jet_g=2.0), around())).flags == ()


@pytest.mark.parametrize("kind", ["one lag", "two lags", "moving mean"])
@pytest.mark.parametrize("lag_s", [0.8, 1.2, 1.5])
@pytest.mark.parametrize(("flow", "open_s", "d"), [(2.0, 20.0, 0.1), (4.0, 12.0, 0.01), (1.2, 20.0, 0.01)])
def test_a_slow_filter_is_no_fault_of_the_gun(
    kind: str, lag_s: float, flow: float, open_s: float, d: float
) -> None:
    window = through_a_slow_scale(
        kind, lag_s=lag_s, flow=flow, open_s=open_s, resolution_g=d, noise_g=0.5 * d, rate_hz=10.0
    )
    found = measure(window, around(d))
    assert found.flags == ()
    assert found.flow_g_per_min == pytest.approx(60.0 * flow, rel=6e-3)


@pytest.mark.parametrize("kind", ["one lag", "two lags"])
@pytest.mark.parametrize("lag_s", [0.8, 1.2, 1.5])
@pytest.mark.parametrize(
    ("flag", "fault"),
    [
        ("after_drip", {"drip_g": 1.2}),
        ("slow_start", {"flow": slow}),
        ("unsteady_flow", {"flow": wandering}),
        ("unsteady_flow", {"flow": falling}),
        ("air_in_line", {"flow": spurts}),
    ],
)
def test_a_slow_filter_hides_no_fault_of_the_gun(
    kind: str, lag_s: float, flag: str, fault: dict[str, Any]
) -> None:
    assert flag in measure(through_a_slow_scale(kind, lag_s=lag_s, **fault), around()).flags


@pytest.mark.parametrize("by_s", [1.0, 1.5, 2.0, 3.0])
@pytest.mark.parametrize("rate_hz", [5.0, 10.0, 20.0])
@pytest.mark.parametrize("lag_s", [0.2, 1.0])
def test_a_closing_told_too_early_is_no_drip(by_s: float, rate_hz: float, lag_s: float) -> None:
    found = measure(told_too_early(by_s, rate_hz=rate_hz, lag_s=lag_s), around())
    assert found.flags == ("duration_disagrees",)
    assert found.quality == ("rejected" if by_s >= 2.0 else "suspect")


def test_a_duration_that_disagrees_is_doubted_in_the_uncertainty() -> None:
    found, sure = measure(told_too_early(1.2), around()), measure(drawn(), around())
    assert found.flow is not None
    assert sure.flow is not None
    assert found.flow_g_per_min is not None
    # 120 g/min by the liquid's own time: the told one is 1.2 s too short.
    assert found.flow_g_per_min - found.flow.below < 120.0 < found.flow_g_per_min
    assert found.flow.u > 5 * sure.flow.u


@pytest.mark.parametrize("by_s", [-1.0, -1.2, -1.5, -1.8])
def test_a_closing_told_too_late_is_no_slow_start(by_s: float) -> None:
    assert measure(told_too_early(by_s), around()).flags == ("duration_disagrees",)


@pytest.mark.parametrize("drip_s", [0.4, 0.8, 1.5, 2.5])
@pytest.mark.parametrize("drip_g", [0.6, 1.2])
def test_a_drip_is_no_longer_duration(drip_g: float, drip_s: float) -> None:
    window = drawn(drip_g=drip_g, drip_s=drip_s)
    assert measure(window, around()).flags == ("after_drip",)


@pytest.mark.parametrize(("seed", "number"), [(6, 61), (1, 68), (1, 243), (6, 366)])
def test_a_container_taken_away_while_the_gun_sprays_is_no_shot(seed: int, number: int) -> None:
    # Whatever curve it was that fitted: these gave flows from -1700 to 4500 g/min.
    trace = random_trace(np.random.default_rng([seed, FAMILIES.index("spoiled"), number]), "spoiled")
    assert any("taken away" in note for note in trace.notes)
    measured = measure(direct_window(trace), around())
    assert measured.quality == "rejected"
    assert "container_moved" in measured.flags


@pytest.mark.parametrize(("check", "number"), [(69, 0), (34, 2)])
def test_the_tail_of_a_tap_is_no_moved_container(check: int, number: int) -> None:
    """Taps of up to 60 g through a slow filter: their tails are near enough to count, and fall."""
    traces = random_check(np.random.default_rng([5, FAMILIES.index("nuisances"), check]), "nuisances", 3)
    found = measure(direct_window(traces[number]), scale_of(traces[number]))
    assert "container_moved" not in found.flags
    assert found.quality != "rejected"


def test_a_shaking_floor_is_no_moved_container() -> None:
    """A slow alias sways less than a step counts."""
    traces = random_check(np.random.default_rng([5, FAMILIES.index("vibrating"), 9]), "vibrating", 3)
    assert measure(direct_window(traces[0]), scale_of(traces[0])).quality != "rejected"


@pytest.mark.parametrize("at_s", [1.0, 5.0, 15.0])
def test_a_rejected_dispense_stands_where_it_was_told(at_s: float) -> None:
    """A container taken away bends the curve: where that begins and ends is no time of the shot."""
    window = drawn(push=step(-400.0, at_s))
    found = measure(window, around())
    assert found.quality == "rejected"
    record = dispense_record(window, around(), found)
    assert record.started_at == rfc3339(window.opened_s)
    assert record.ended_at == rfc3339(window.closed_s)


@pytest.mark.parametrize("push", [step(-400.0, 5.0), step(6.0, 9.0), step(-6.0, 9.0), leaning])
def test_a_moved_container_is_no_fault_of_the_gun(push: Callable[[np.ndarray], np.ndarray]) -> None:
    """What is fitted to a curve that is not the gun's would be counted against it."""
    found = measure(drawn(push=push), around())
    assert found.flags == ("container_moved",)
    assert found.why_rejected == "the container or the scale was moved or leaned on"


def test_a_large_drip_that_pushes_the_pan_is_no_moved_container() -> None:
    """A second of the flow drips, and pushes as it falls: it seems to come all at once."""
    traces = random_check(np.random.default_rng([1, FAMILIES.index("dripping"), 7]), "dripping", 3)
    found = measure(direct_window(traces[0]), scale_of(traces[0]))
    assert found.quality == "suspect"
    assert "after_drip" in found.flags
