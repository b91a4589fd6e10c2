"""The reading curve against numerical integration, its derivatives against differences, and the fit of it."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from agent.flow.curve import (
    AMOUNTS,
    DRIP,
    DROOP,
    FLOW,
    JET,
    LENGTH,
    LEVEL,
    LOSS,
    SIZE,
    SLOW,
    TIMES,
    Axis,
    axis,
    columns_and_slopes,
    curve_of,
    dispensed_g,
    dispensed_gradient,
    drip_column,
    slow_column,
)
from agent.flow.joint import Data, Prior, fit, gain_by

LAG_S, DRIP_S, SLOW_S = 0.3, 0.9, 0.5
SPEED = 0.6
START_S, LENGTH_S = 0.13, 17.0


def parameters() -> np.ndarray:
    logs = np.log([LAG_S, DRIP_S, SLOW_S])
    return np.array([300.0, 0.01, 0.002, 2.0, 0.05, 1.2, 0.8, -0.4, START_S, LENGTH_S, *logs, SPEED])


def times() -> Axis:
    return axis(np.sort(np.random.default_rng(0).uniform(-5.0, 30.0, 200)), 8.0, 10.0)


def test_the_curve_is_what_a_lagging_scale_shows() -> None:
    """Each part, poured into y' = (x - y)/lag and integrated numerically (scipy's LSODA)."""
    at, on = parameters(), times()
    at[[LOSS, LOSS + 1]] = 0.0

    def load(t: float) -> float:
        since = t - START_S
        after = since - LENGTH_S
        x = at[LEVEL]
        if since > 0:
            run = min(since, LENGTH_S)
            x += at[FLOW] * run + at[DROOP] * (0.5 * run**2 / LENGTH_S - 0.5 * run)
            x -= at[SLOW] * (1.0 - np.exp(-since / SLOW_S))
            x += at[JET] * (after < 0)
        if after > 0:
            x += at[DRIP] * (1.0 - np.exp(-after / DRIP_S))
            x += SPEED * at[JET] / at[FLOW] * at[DRIP] / DRIP_S * np.exp(-after / DRIP_S)
        return float(x)

    solved = solve_ivp(
        lambda t, y: (load(t) - y) / LAG_S, (-6.0, 31.0), [300.0], t_eval=on.t_s, rtol=1e-9, max_step=0.01
    )
    assert np.max(np.abs(solved.y[0] - curve_of(on, at))) < 2e-3


def test_the_derivatives_are_those_of_the_curve() -> None:
    at, on = parameters(), times()
    slopes = columns_and_slopes(on, at)
    for which in range(SIZE):
        above, below = at.copy(), at.copy()
        above[which] += 1e-6
        below[which] -= 1e-6
        by_difference = (curve_of(on, above) - curve_of(on, below)) / 2e-6
        assert slopes[:, which] == pytest.approx(by_difference, abs=1e-6)


def test_equal_time_constants_are_no_trap() -> None:
    at, on = parameters(), times()
    at[AMOUNTS + 2 : AMOUNTS + TIMES] = np.log(0.3)
    near = at.copy()
    near[AMOUNTS + 3 : AMOUNTS + TIMES] += 0.005
    assert curve_of(on, at) == pytest.approx(curve_of(on, near), abs=5e-3)


def test_the_dispensed_grams_are_the_levels_difference() -> None:
    at = parameters()
    at[[LOSS, LOSS + 1]] = 0.0
    far = curve_of(axis(np.array([-50.0, 90.0]), 8.0, 10.0), at)
    assert far[1] - far[0] == pytest.approx(dispensed_g(at), abs=1e-6)
    gradient = dispensed_gradient(at)
    for which in range(SIZE):
        above = at.copy()
        above[which] += 1e-6
        assert gradient[which] == pytest.approx((dispensed_g(above) - dispensed_g(at)) / 1e-6, abs=1e-4)


def fitted_data(rng: np.random.Generator, *, drip_g: float = 0.0) -> tuple[Data, np.ndarray]:
    at = parameters()
    at[SLOW], at[DRIP], at[LOSS], at[LOSS + 1] = 0.0, drip_g, 0.0, 0.0
    on = axis(np.arange(-8.0, 30.0, 0.1), 8.0, 10.0)
    mass = curve_of(on, at) + rng.normal(0.0, 0.05, on.t_s.size)
    return Data(on, mass, np.full(on.t_s.size, 0.05)), at


def wide_prior(at: np.ndarray) -> Prior:
    u = np.full(SIZE, 1.0)
    u[LEVEL] = 1e3
    return Prior(at, u).without(drip=True, slow=True)


def test_the_fit_finds_the_parameters_and_says_how_well() -> None:
    z = []
    for seed in range(20):
        data, at = fitted_data(np.random.default_rng(seed))
        start = at.copy()
        start[FLOW], start[AMOUNTS + LENGTH], start[LEVEL] = 1.8, 16.5, 302.0
        found = fit(data, wide_prior(at), start)
        gradient = dispensed_gradient(found.at)
        u = float(np.sqrt(gradient @ found.covariance @ gradient))
        z.append((dispensed_g(found.at) - dispensed_g(at)) / u)
    assert 0.6 < np.sqrt(np.mean(np.square(z))) < 1.5


def test_the_score_test_tells_a_drip_from_none() -> None:
    for drip_g, promising in ((0.0, False), (0.5, True)):
        data, at = fitted_data(np.random.default_rng(3), drip_g=drip_g)
        at = at.copy()
        at[DRIP] = 0.0
        found = fit(data, wide_prior(at), at)
        gain = gain_by(found, drip_column(data.on, found.at, 1.0, 0.0))
        assert (gain > 10.0) is promising
        assert gain_by(found, slow_column(data.on, found.at, 0.6)) >= 0.0


def test_readings_far_off_count_for_nothing() -> None:
    data, at = fitted_data(np.random.default_rng(4))
    clean = fit(data, wide_prior(at), at)
    data.mass_g[[20, 150, 320]] += (40.0, -25.0, 90.0)
    bumped = fit(data, wide_prior(at), at)
    assert dispensed_g(bumped.at) == pytest.approx(dispensed_g(clean.at), abs=0.02)
    assert np.all(bumped.information[[20, 150, 320]] == 0.0)


def test_a_rounded_reading_says_no_more_than_its_interval() -> None:
    """The information of a reading in the middle of its step is nothing; at the edge it is not."""
    on = axis(np.linspace(0.0, 1.0, 2), 0.5, 10.0)
    at = np.zeros(SIZE)
    at[AMOUNTS : AMOUNTS + TIMES] = (50.0, 1.0, *np.log([0.2, 0.8, 0.6]))
    u = np.zeros(SIZE)
    u[LEVEL] = 10.0
    middle = Data(on, np.zeros(2), np.full(2, 0.02), np.full(2, 0.5))
    assert fit(middle, Prior(at, u), at, steps=0).information == pytest.approx([0.0, 0.0], abs=1e-6)
    edge = Data(on, np.full(2, 0.5), np.full(2, 0.02), np.full(2, 0.5))
    assert np.all(fit(edge, Prior(at, u), at, steps=0).information > 100.0)
