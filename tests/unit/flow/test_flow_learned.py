"""What earlier shots teach: kept as plain numbers, bounded, and used where it is significant."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from agent.flow.known import Known
from agent.flow.learned import Learned
from agent.flow.timing import MOST_SHOTS, Lengths, Shot


def after_shots(rates: list[float], learned: Learned | None = None) -> Learned:
    learned = learned or Learned()
    for rate in rates:
        learned = learned.after(
            evaporation=Known(rate, 1e-3),
            noise_g=0.05,
            lag_s=Known(0.25, 0.05),
            open_s=20.0,
            mass_g=40.0,
            u_mass_g=0.02,
            group="primer",
        )
    return learned


def test_a_rate_is_learned_and_followed() -> None:
    rng = np.random.default_rng(1)
    learned = after_shots(list(rng.normal(0.010, 1e-3, 12)))
    assert learned.evaporation is not None
    assert learned.evaporation.value == pytest.approx(0.010, abs=1.5e-3)
    assert learned.evaporation.u < 1.1e-3
    assert learned.evaporation.n == 12
    moved = after_shots(list(rng.normal(0.002, 1e-3, 12)), learned)
    assert moved.evaporation is not None
    assert moved.evaporation.value == pytest.approx(0.002, abs=2e-3)


def test_a_lid_taken_off_is_no_slow_walk() -> None:
    closed = after_shots([1e-4] * 50)
    opened = after_shots([0.012], closed)
    assert opened.evaporation == Known(0.012, 1e-3, 1)
    again = after_shots([1e-4], opened)
    assert again.evaporation == Known(1e-4, 1e-3, 1)


def test_nothing_is_learned_from_nothing() -> None:
    empty = Learned().after(
        evaporation=None, noise_g=None, lag_s=None, open_s=None, mass_g=None, u_mass_g=None
    )
    assert empty == Learned()
    odd = Learned().after(
        evaporation=Known(math.nan, 1.0),
        noise_g=math.nan,
        lag_s=Known(1.0, math.inf),
        open_s=20.0,
        mass_g=-3.0,
        u_mass_g=1.0,
    )
    assert odd == Learned()


def test_it_is_kept_and_read_back() -> None:
    learned = after_shots([0.01, 0.011])
    assert Learned.from_dict(json.loads(json.dumps(learned.to_dict()))) == learned


@settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    st.dictionaries(
        st.sampled_from(["evaporation", "noise_g", "lag_s", "lengths", "more"]),
        st.one_of(
            st.none(),
            st.floats(),
            st.text(max_size=3),
            st.lists(st.one_of(st.floats(), st.none(), st.text(max_size=2)), max_size=4),
            st.lists(st.lists(st.one_of(st.floats(), st.text(max_size=2)), max_size=4), max_size=3),
        ),
    )
)
def test_whatever_the_journal_holds_gives_something_usable(body: dict[str, object]) -> None:
    learned = Learned.from_dict(body)
    for known in (learned.evaporation, learned.noise_g, learned.lag_s):
        assert known is None or (math.isfinite(known.value) and known.u > 0)
    error = learned.lengths.error()
    assert error is None or math.isfinite(error.value)


@pytest.mark.parametrize("amount", [1e200, 1e-200, 1e308, 5e-324, math.inf, math.nan])
@pytest.mark.parametrize("where", [1, 2, 3])
def test_shots_beyond_all_measure_teach_nothing(amount: float, where: int) -> None:
    rows: list[list[object]] = [["a", 1.0, 1.0, 0.1], ["a", 2.0, 2.0, 0.1]]
    for row in rows:
        row[where] = amount
    learned = Learned.from_dict({"lengths": rows})
    assert learned.lengths.shots == ()
    assert learned.lengths.error() is None


def test_it_never_grows() -> None:
    learned = after_shots([0.01] * (MOST_SHOTS + 30))
    assert len(learned.lengths.shots) == MOST_SHOTS


def test_everyday_shots_do_not_push_out_what_was_tried_with_several_lengths() -> None:
    known = Lengths((Shot("tried", 6.0, 31.0, 0.02), Shot("tried", 30.0, 151.0, 0.02)))
    for day in range(40):
        for _ in range(3):
            known = known.with_shot(Shot(f"day {day}", 20.0, 101.0, 0.02))
    assert len(known.shots) == MOST_SHOTS
    assert known.shots[-1].group == "day 39"
    error = known.error()
    assert error is not None
    assert error.value == pytest.approx(0.2, abs=1e-6)
    many = Lengths()
    for number in range(MOST_SHOTS + 2):
        many = many.with_shot(Shot("tried", 6.0 + number, 31.0, 0.02))
    assert many.shots[0].open_s == 8.0


def shots(
    dt_s: float, flow: float, lengths: list[float], rng: np.random.Generator, group: str = "a"
) -> Lengths:
    known = Lengths()
    for open_s in lengths:
        mass = flow * (1.0 + rng.normal(0.0, 0.003)) * (open_s + dt_s)
        known = known.with_shot(Shot(group, open_s, mass, 0.02))
    return known


def test_the_timing_error_is_found_with_its_uncertainty() -> None:
    z = []
    for seed in range(60):
        error = shots(0.12, 5.0, [30.0, 6.0] * 8, np.random.default_rng(seed)).error()
        assert error is not None
        assert error.n == 16
        z.append((error.value - 0.12) / error.u)
    assert 0.6 < np.sqrt(np.mean(np.square(z))) < 1.25


def test_it_is_used_only_where_it_is_significant() -> None:
    rng = np.random.default_rng(5)
    large = shots(0.5, 5.0, [30.0, 6.0] * 6, rng).significant_error()
    assert large is not None
    assert large.value == pytest.approx(0.5, abs=0.05)
    chance = sum(
        shots(0.0, 5.0, [30.0, 6.0] * 6, np.random.default_rng(seed)).significant_error() is not None
        for seed in range(100)
    )
    assert chance <= 12
    assert shots(0.5, 5.0, [30.0, 6.0], rng).significant_error() is None


def test_shots_of_one_length_or_of_different_setups_say_nothing() -> None:
    rng = np.random.default_rng(6)
    assert shots(0.5, 5.0, [20.0, 20.5, 21.0], rng).error() is None
    mixed = shots(0.5, 5.0, [30.0], rng, "a").with_shot(Shot("b", 6.0, 12.0, 0.02))
    assert mixed.error() is None
    falling = Lengths((Shot("a", 6.0, 50.0, 0.1), Shot("a", 30.0, 20.0, 0.1)))
    assert falling.error() is None


def test_groups_are_joined() -> None:
    rng = np.random.default_rng(7)
    both = Lengths(
        (*shots(0.2, 5.0, [30.0, 6.0] * 4, rng).shots, *shots(0.2, 2.0, [20.0, 5.0] * 4, rng, "b").shots)
    )
    error = both.error()
    assert error is not None
    assert error.n == 16
    assert error.value == pytest.approx(0.2, abs=4 * error.u)


def test_groups_that_disagree_are_less_certain_and_cost_degrees_of_freedom() -> None:
    """Birge's ratio over two groups of like weight that show 0.1 and 0.4 s: about 0.25 s to 0.15 s."""
    exact = [Shot("a", t, 5.0 * (t + 0.1), 1e-6) for t in (6.0, 30.0)]
    other = [Shot("b", t, 5.0 * (t + 0.4), 1e-6) for t in (6.0, 30.0)]
    joined = Lengths((*exact, *other)).error()
    assert joined is not None
    assert joined.value == pytest.approx(0.25, abs=0.01)
    assert joined.u == pytest.approx(0.15, rel=0.02)
    # Four shots less two flows and one error: one degree of freedom says nothing.
    same = [Shot("b", t, 2.0 * (t + 0.5), 1e-6) for t in (6.0, 30.0)]
    halves = [Shot("a", t, 5.0 * (t + 0.5), 1e-6) for t in (6.0, 30.0)]
    assert Lengths((*halves, *same)).significant_error() is None
    assert Lengths((*halves, *halves)).significant_error() is not None
