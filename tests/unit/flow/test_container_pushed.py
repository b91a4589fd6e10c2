"""A container pushed as the gun opens or closes, which a drip, a surge or a late start could pass for."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from drawn_windows import around, drawn

from agent.flow.measuring import Measurement, measure

OPEN_S = 20.0
TRUE_G_PER_MIN = 120.0
Push = Callable[[np.ndarray], np.ndarray]


def pushed(grams: float, at_s: float, over_s: float = 0.3) -> Push:
    """A force that comes and stays, by seconds since the opening."""
    return lambda t: grams * np.clip((t - at_s) / over_s, 0.0, 1.0)


def later(by_s: float) -> Push:
    """A trigger that opens late."""
    return lambda since: np.where(since > by_s, 2.0, 0.0)


def holds_the_truth(found: Measurement) -> bool:
    assert found.flow is not None
    assert found.flow_g_per_min is not None
    return -found.flow.above <= found.flow_g_per_min - TRUE_G_PER_MIN <= found.flow.below


@pytest.mark.parametrize("grams", [-6.0, -4.0, -2.5, 2.5, 4.0])
@pytest.mark.parametrize("at_s", [-0.8, -0.3, 0.2, 0.7, 19.2, 19.7, 20.2, 20.7])
@pytest.mark.parametrize("lag_s", [0.15, 0.5])
def test_a_container_pushed_beside_opening_or_closing_gives_no_wrong_flow(
    grams: float, at_s: float, lag_s: float
) -> None:
    found = measure(drawn(push=pushed(grams, at_s), lag_s=lag_s), around())
    if found.quality == "rejected":
        return
    assert holds_the_truth(found)
    assert found.quality == "suspect" or found.flow_g_per_min == pytest.approx(TRUE_G_PER_MIN, rel=0.005)


@pytest.mark.parametrize("at_s", [-0.3, 0.2, 0.7, 19.3, 19.8, 20.1])
def test_a_push_upwards_is_no_drip_and_no_surge(at_s: float) -> None:
    found = measure(drawn(push=pushed(4.0, at_s)), around())
    assert found.quality == "rejected"
    assert "container_moved" in found.flags


@pytest.mark.parametrize(
    "honest",
    [
        {"drip_g": 1.0, "drip_s": 0.5},
        {"drip_g": 2.0, "drip_s": 1.0},
        {"drip_g": 0.4, "drip_s": 0.05},
        {"flow": lambda since: 2.0 * (1.0 + 0.5 * np.exp(-np.maximum(since, 0.0) / 0.5))},
        {"flow": lambda since: 2.0 * (1.0 - 0.8 * np.exp(-np.maximum(since, 0.0) / 0.8))},
        {"flow": later(0.5)},
        {"flow": later(1.2)},
        {"flow": later(1.2), "rate_hz": 20.0, "lag_s": 0.06, "noise_g": 0.02},
        {"flow": later(1.2), "rate_hz": 5.0, "lag_s": 0.5},
        {"jet_g": 4.5},
        {"jet_g": 0.0, "lag_s": 1.0},
        {"push": lambda t: np.where(np.abs(t - 19.8) < 0.3, 40.0, 0.0)},
        {"push": lambda t: np.where(np.abs(t - 0.3) < 0.3, -20.0, 0.0)},
    ],
)
@pytest.mark.parametrize("seed", range(4))
def test_what_a_gun_does_is_no_push(honest: dict[str, Any], seed: int) -> None:
    found = measure(drawn(seed=seed, **honest), around())
    assert "container_moved" not in found.flags
    assert found.quality != "rejected"


def test_a_surge_that_may_be_a_push_is_suspect() -> None:
    found = measure(drawn(push=pushed(1.7, 0.6, over_s=0.5), jet_g=0.0), around())
    assert found.quality == "suspect"
    assert holds_the_truth(found)


@pytest.mark.parametrize("grams", [1.3, 1.6, 2.0])
def test_what_may_be_a_push_is_doubted(grams: float) -> None:
    """Hardly more than the gun could give: nobody can tell, and the interval holds both."""
    found = measure(drawn(push=pushed(grams, 20.0, over_s=0.8)), around())
    assert found.quality == "rejected" or holds_the_truth(found)
