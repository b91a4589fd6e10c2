"""A scale that holds its zero while a container loses liquid on it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from drawn_windows import around, drawn

from agent.detection.window import Window
from agent.flow.measuring import measure
from agent.flow.zero_tracking import without_held_zero

LOSS_G_PER_S = 0.012
TRUE_G_PER_MIN = 120.0


def zeroed(seed: int, *, is_held: bool, loss_g_per_s: float = LOSS_G_PER_S) -> Window:
    """A container set to zero ten seconds before the shot, on a scale that holds its zero or lets it fall."""
    holds = (lambda t: loss_g_per_s * np.minimum(t, 0.0)) if is_held else None
    window = drawn(loss_g_per_s=loss_g_per_s, push=holds, seed=seed, noise_g=0.03, after_s=20.0)
    begins = window.t_s < window.opened_s - 9.0
    zero = np.round(np.median(window.mass_g[begins]), 1)
    return replace(window, mass_g=np.round(window.mass_g - zero, 1))


@pytest.mark.parametrize("seed", range(6))
def test_what_a_held_zero_hides_is_found_after_the_shot(seed: int) -> None:
    # The scale was held in the calm hour before as well: it showed no slope at all then.
    held = replace(zeroed(seed, is_held=True), idle_slope_g_per_s=0.0, u_idle_slope_g_per_s=2e-4)
    found = measure(held, around())
    assert found.flow is not None
    assert found.flow_g_per_min is not None
    assert -found.flow.above <= found.flow_g_per_min - TRUE_G_PER_MIN <= found.flow.below
    assert found.flow_g_per_min == pytest.approx(TRUE_G_PER_MIN, rel=0.005)


def test_a_rest_that_was_held_too_is_not_believed() -> None:
    window = replace(zeroed(1, is_held=True), idle_slope_g_per_s=0.0, u_idle_slope_g_per_s=1e-4)
    kept = without_held_zero(window, 0.1)
    assert kept.idle_slope_g_per_s is None
    assert kept.t_s[0] >= window.opened_s - 2.5


@pytest.mark.parametrize("loss_g_per_s", [0.003, 0.006])
def test_a_small_loss_behind_a_held_zero_is_within_the_interval(loss_g_per_s: float) -> None:
    inside = 0
    for seed in range(40):
        found = measure(zeroed(seed, is_held=True, loss_g_per_s=loss_g_per_s), around())
        assert found.flow is not None
        assert found.flow_g_per_min is not None
        inside += -found.flow.above <= found.flow_g_per_min - TRUE_G_PER_MIN <= found.flow.below
    assert inside >= 34


def test_a_zero_that_is_still_being_approached_is_not_believed() -> None:
    """A scale that was not quite at zero slides there: half a step a second."""
    held = zeroed(1, is_held=True)
    slides = 0.2 * np.clip((held.opened_s - 4.0 - held.t_s) / 4.0, 0.0, 1.0)
    window = replace(held, mass_g=np.round(held.mass_g - slides, 1))
    kept = without_held_zero(window, 0.1)
    assert kept.is_zero_held
    assert kept.t_s[0] >= window.opened_s - 2.5


def test_nothing_is_left_out_where_nothing_is_held() -> None:
    falling = zeroed(2, is_held=False)
    assert without_held_zero(falling, 0.1) is falling
    full = replace(zeroed(2, is_held=True), mass_g=zeroed(2, is_held=True).mass_g + 250.0)
    assert without_held_zero(full, 0.1) is full
    short = replace(falling, t_s=falling.t_s[-40:], mass_g=falling.mass_g[-40:])
    assert without_held_zero(short, 0.1) is short
