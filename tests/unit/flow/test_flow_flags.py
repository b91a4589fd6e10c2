"""Every flag: a dispense that sets it and one that does not, and what follows for its quality."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from drawn_windows import OPENED_S, around, drawn

from agent.contract.records import Flag
from agent.detection.window import Window
from agent.flow.measuring import Measurement, measure
from agent.flow.surroundings import PotReadings, Surroundings

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


def clean() -> Shown:
    return drawn(), around(pot=pot(0.5), setpoint_bar=0.5)


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
