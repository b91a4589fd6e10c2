"""Flags just beyond and just within the limit of their rule: `agent/flow/flags.py` has them in a table."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from drawn_windows import OPENED_S, around, drawn

from agent.contract.records import Flag
from agent.detection.window import Window
from agent.flow.measuring import measure
from agent.flow.surroundings import Surroundings


def fine(**members: Any) -> Window:
    """A dispense on a scale that shows hundredths of a gram."""
    return drawn(resolution_g=0.01, noise_g=0.005, **members)


def only(window: Window, from_s: float, to_s: float) -> Window:
    """Readings of this interval alone, seconds from the opening."""
    t = window.t_s - OPENED_S
    kept = (t > from_s) & (t < to_s)
    return replace(window, t_s=window.t_s[kept], mass_g=window.mass_g[kept])


def without(window: Window, from_s: float, to_s: float) -> Window:
    """Without the readings of this interval, seconds from the opening."""
    t = window.t_s - OPENED_S
    kept = (t < from_s) | (t > to_s)
    return replace(window, t_s=window.t_s[kept], mass_g=window.mass_g[kept])


def broken(at_s: float, lasts_s: float) -> Window:
    """The flow breaks off for a while, seconds after the liquid came."""
    return fine(flow=lambda since: np.where(np.abs(since - at_s) < 0.5 * lasts_s, 0.0, 2.0))


def slow(share: float) -> Window:
    """A start over half a second that leaves out a share of the 40 g."""
    lack = share * 40.0 / 2.0 / 0.5
    return fine(flow=lambda since: 2.0 * (1.0 - lack * np.exp(-np.maximum(since, 0.0) / 0.5)))


def drooping(share: float) -> Window:
    """Less at the end than at the beginning, by a share of the mean flow."""
    return fine(flow=lambda since: 2.0 * (1.0 - share * (since / 20.0 - 0.5)))


def swaying(from_s: float, to_s: float) -> Window:
    """Somebody leans on the pan again and again in this interval."""

    def push(t: np.ndarray) -> np.ndarray:
        busy = (t > from_s) & (t < to_s)
        return np.where(busy, 90.0 * np.abs(np.sin(2.0 * np.pi * t / 0.9)) + 30.0, 0.0)

    return drawn(push=push)


BEYOND: list[tuple[Flag, str, Window, Surroundings]] = [
    ("after_drip", "0.8 % of the mass", fine(drip_g=0.32), around(0.01)),
    ("air_in_line", "0.45 s of flow are missing", broken(9.0, 0.45), around(0.01)),
    ("container_moved", "leaned on through half of the ramp", swaying(6.0, 16.0), around()),
    ("container_moved", "leaned on through most of the rest before", swaying(-9.5, -1.5), around()),
    ("container_moved", "it loses mass", drawn(flow=-2.0), around()),
    ("no_plateau_after", "two readings after", only(drawn(), -99.0, 20.25), around()),
    ("no_plateau_before", "two readings before", only(drawn(), -0.15, 99.0), around()),
    ("readings_missing", "a gap of 1.2 s", without(drawn(), 7.05, 8.15), around()),
    ("scale_overload", "ten divisions over capacity", drawn(), around(capacity_g=451.2)),
    ("slow_start", "1.5 % of the mass", slow(0.015), around(0.01)),
    ("unsteady_flow", "a droop of 11 %", drooping(0.11), around(0.01)),
    ("unsteady_flow", "none flows", drawn(flow=0.0, jet_g=0.0), around()),
]
WITHIN: list[tuple[Flag, str, Window, Surroundings]] = [
    ("after_drip", "0.3 % of the mass", fine(drip_g=0.12), around(0.01)),
    ("air_in_line", "0.28 s of flow are missing", broken(9.0, 0.28), around(0.01)),
    ("air_in_line", "the flow breaks off as it begins", broken(0.8, 0.5), around(0.01)),
    ("container_moved", "leaned on for a moment", swaying(6.0, 8.0), around()),
    ("container_moved", "leaned on through a third of the rest before", swaying(-9.5, -7.0), around()),
    ("no_plateau_after", "a second after", only(drawn(), -99.0, 21.5), around()),
    ("no_plateau_before", "a second before", only(drawn(), -1.0, 99.0), around()),
    ("readings_missing", "a gap of 0.8 s", without(drawn(), 7.05, 7.75), around()),
    ("scale_overload", "five divisions over capacity", drawn(), around(capacity_g=451.9)),
    ("slow_start", "0.5 % of the mass", slow(0.005), around(0.01)),
    ("unsteady_flow", "a droop of 8 %", drooping(0.08), around(0.01)),
]


def named(case: tuple[Flag, str, Window, Surroundings]) -> str:
    return f"{case[0]}: {case[1]}"


@pytest.mark.parametrize("case", BEYOND, ids=named)
def test_just_beyond_its_limit_a_flag_is_set(case: tuple[Flag, str, Window, Surroundings]) -> None:
    flag, _, window, surroundings = case
    assert flag in measure(window, surroundings).flags


@pytest.mark.parametrize("case", WITHIN, ids=named)
def test_just_within_its_limit_it_is_not(case: tuple[Flag, str, Window, Surroundings]) -> None:
    flag, _, window, surroundings = case
    assert flag not in measure(window, surroundings).flags
