"""Readings that stand still over the closing: no plateau, and no shorter shot either."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from drawn_windows import OPENED_S, around, drawn

from agent.detection.window import Window
from agent.flow.measuring import measure


def stuck(from_s: float, **members: Any) -> Window:
    """The scale's last word is that of so many seconds from the opening."""
    window = drawn(**members)
    since = window.t_s - OPENED_S
    last = window.mass_g[np.searchsorted(since, from_s)]
    return replace(window, mass_g=np.where(since >= from_s, last, window.mass_g))


@pytest.mark.parametrize("from_s", [18.3, 18.8, 19.2])
@pytest.mark.parametrize("rate_hz", [5.0, 10.0, 20.0])
@pytest.mark.parametrize("seed", range(3))
def test_a_scale_that_stands_still_over_the_closing_is_rejected(
    from_s: float, rate_hz: float, seed: int
) -> None:
    found = measure(stuck(from_s, rate_hz=rate_hz, seed=seed), around())
    assert found.quality == "rejected"
    assert "readings_missing" in found.flags
    assert found.why_rejected is not None
    assert "one and the same value" in found.why_rejected


@pytest.mark.parametrize("noise_g", [0.0, 0.01, 0.05])
@pytest.mark.parametrize("seed", range(3))
def test_a_gun_that_closed_early_is_no_stuck_scale(noise_g: float, seed: int) -> None:
    window = drawn(open_s=18.8, after_s=14.0, noise_g=noise_g, seed=seed)
    found = measure(replace(window, open_s=20.0, closed_s=OPENED_S + 20.0), around())
    assert found.flags == ("duration_disagrees",)
    assert found.quality == "suspect"


@pytest.mark.parametrize("noise_g", [0.0, 0.01])
def test_a_scale_that_never_scatters_may_stand_still_at_rest(noise_g: float) -> None:
    assert measure(drawn(noise_g=noise_g), around()).quality == "good"
