"""The goals of the study in `estimator.py`, on a part of its shots."""

from __future__ import annotations

import importlib.util
import sys
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from drawn_windows import around, drawn

from agent.flow.measuring import measure
from simulators.traces import FAMILIES

pytestmark = [pytest.mark.slow, pytest.mark.timeout(600)]
SHOTS, SEED = 120, 1
FEW = 0.04
"""With so few shots a family's figures scatter: the goals are 98 % and 90 %, give or take this."""


@pytest.fixture(scope="module")
def study() -> ModuleType:
    path = Path(__file__).with_name("estimator.py")
    spec = importlib.util.spec_from_file_location("estimator", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def scores(study: ModuleType) -> dict:
    found = {family: study.study(family, SHOTS, SEED) for family in FAMILIES}
    sys.stdout.write("\n" + study.table(found) + "\n")
    return found


def sound(scores: dict) -> dict:
    return {family: score for family, score in scores.items() if family != "spoiled"}


def test_a_quarter_percent_over_all_and_six_hundredths_on_clean(study: ModuleType, scores: dict) -> None:
    errors = [error for score in sound(scores).values() for error in score.error]
    assert study.rms(errors) <= 0.0025
    assert study.rms(scores["clean"].error) <= 0.0006


@pytest.mark.parametrize("family", [family for family in FAMILIES if family != "spoiled"])
def test_at_most_half_of_the_better_peer(study: ModuleType, scores: dict, family: str) -> None:
    # Half is the goal over many shots; where both are near it a few shots decide little.
    assert study.rms(scores[family].error) <= 0.6 * scores[family].better_peer


def test_intervals_hold_the_truth(scores: dict) -> None:
    hits = [hit for score in sound(scores).values() for hit in score.covered]
    assert 0.93 <= np.mean(hits) <= 0.975
    for family, score in sound(scores).items():
        assert np.mean(score.covered) >= 0.90 - FEW, family


def test_the_spoiled_are_rejected_and_the_sound_are_not(scores: dict) -> None:
    for family, score in scores.items():
        assert score.wrongly_judged <= (1 if family == "spoiled" else 0), family


def test_the_variance_on_clean_shots_is_near_its_bound(study: ModuleType) -> None:
    clean = study.Score()
    for seed in range(1, 5):
        part = study.study("clean", 75, seed)
        for name in ("error", "told", "untold", "bound_told", "bound_free"):
            getattr(clean, name).extend(getattr(part, name))
    told, _, free = study.variance_ratios(clean)
    # A variance of 300 shots is known to 8 %, and to less where a few weigh most: a fifth more than the goal.
    assert told <= 1.2 * 1.25
    assert free <= 1.25


def test_a_shot_takes_twenty_milliseconds(study: ModuleType, scores: dict) -> None:
    seconds = [took for score in sound(scores).values() for took in score.seconds]
    # Twice the goal: other tests run on this machine at the same time.
    assert float(np.median(seconds)) <= 0.040


def test_time_grows_no_faster_than_readings(study: ModuleType) -> None:
    import time

    took = []
    for rate_hz in (5.0, 20.0, 80.0, 320.0):
        windows = [drawn(rate_hz=rate_hz, seed=seed) for seed in range(5)]
        measure(windows[0], around())
        begun = time.thread_time()
        for window in windows:
            measure(replace(window), around())
        took.append((windows[0].t_s.size, time.thread_time() - begun))
    assert study.growth(took) <= 1.15


SECOND = {
    "plain": (0.0004, 0.90),
    "hose relaxes": (0.0006, 0.90),
    "open container": (0.0025, 0.85),
    "open, 2 Hz": (0.0030, 0.85),
    "open, 1 g": (0.0100, 0.55),
    "gusts": (0.0035, 0.60),
    "2 Hz": (0.0015, 0.90),
    "long filter": (0.0015, 0.85),
    "ringing": (0.0010, 0.85),
    "scale alone": (0.0015, 0.65),
}
"""Root mean square error and cover that shots of a second physics keep to. On one that reads to 1 g with no
history an open container is often not seen: its intervals are wide and still hold too few."""


@pytest.mark.parametrize("kind", SECOND)
def test_shots_of_a_second_physics_are_measured_as_well(study: ModuleType, kind: str) -> None:
    score = study.second_study(kind, SHOTS, SEED)
    most, least = SECOND[kind]
    assert study.rms(score.error) <= most
    assert np.mean(score.covered) >= least
    assert score.wrongly_judged == 0
