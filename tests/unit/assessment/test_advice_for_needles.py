"""Needle advice: the response learned, limits kept, words said."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from agent.assessment.advice import Advised, NeedlePoint, Response, advise, learn_response
from agent.contract.plan import Needle

NEEDLE = Needle()


def advised(
    flow: float, setting: float | None = 3.0, *, response: Response | None = None, **members: object
) -> Advised:
    needle = members.pop("needle", NEEDLE)
    assert isinstance(needle, Needle)
    return advise(
        flow,
        0.3,
        100.0,
        5.0,
        setting,
        response=response or learn_response([], needle),
        needle=needle,
        **members,  # type: ignore[arg-type]
    )


def settled(slope: float = 20.0, n: int = 6, sd: float = 0.1) -> Response:
    """A response of `slope` percent per turn about setting 3, known from some adjustments."""
    rng = np.random.default_rng(1)
    points = [
        NeedlePoint(3600.0 * i, s, 100 * (1 + slope / 100 * (s - 3.0)) + sd * rng.standard_normal(), sd)
        for i, s in enumerate((2.7, 3.3, 2.8, 3.2, 2.6, 3.4)[:n])
    ]
    return learn_response(points, NEEDLE, about=3.0)


def test_the_prior_is_the_configured_one() -> None:
    prior = learn_response([], NEEDLE)
    assert prior.mean == pytest.approx(25.0, rel=1e-3)
    assert prior.u == pytest.approx(12.5, rel=1e-2)
    assert prior.observations == 0
    assert prior.quantile(0.5) == pytest.approx(25 / math.sqrt(1.25), rel=1e-2)


def test_the_response_is_learned_from_pairs() -> None:
    learned = settled()
    assert learned.observations == 5
    assert learned.mean == pytest.approx(20.0, abs=2.5)
    assert learned.u < 2.0


@pytest.mark.parametrize("plugged", [0.02, 5.0, 40.0])
def test_a_tip_that_was_cleaned_as_the_needle_was_turned_teaches_nothing(plugged: float) -> None:
    alone = [NeedlePoint(0.0, 3.0, plugged, 0.2), NeedlePoint(3600.0, 3.2, 98.0, 0.3)]
    learned, prior = learn_response(alone, NEEDLE, about=3.0), learn_response([], NEEDLE)
    assert learned.observations == 0
    assert (learned.mean, learned.u) == pytest.approx((prior.mean, prior.u), rel=0.01)
    turns = [(3.4, 102.0), (3.2, 98.2), (2.9, 92.0)]
    known = [*alone, *(NeedlePoint(7200.0 + 3600.0 * i, *turn, 0.3) for i, turn in enumerate(turns))]
    learned = learn_response(known, NEEDLE, about=3.0)
    assert learned.observations == 3
    assert learned.mean == pytest.approx(20.5, abs=2.5)


@pytest.mark.parametrize(("first", "second"), [(0.0, 0.0), (-0.02, 0.02), (0.02, 0.02), (0.5, 97.0)])
def test_no_flow_at_two_settings_teaches_nothing(first: float, second: float) -> None:
    points = [NeedlePoint(0.0, 3.0, first, 0.2), NeedlePoint(3600.0, 3.4, second, 0.2)]
    learned, prior = learn_response(points, NEEDLE, about=3.0), learn_response([], NEEDLE)
    assert (learned.observations, learned.mean, learned.u) == (0, prior.mean, prior.u)


def test_it_agrees_with_conjugate_normal_regression() -> None:
    """Posterior mean of a normal prior and normal observations, where the prior is narrow."""
    needle = Needle(response_pct_per_unit=25.0, u_response_pct_per_unit=1.0, smallest_step=1e-6)
    points = [NeedlePoint(0.0, 2.999, 99.0, 0.2), NeedlePoint(3600.0, 3.001, 99.06, 0.2)]
    points += [NeedlePoint(7200.0, 3.101, 101.3, 0.2)]
    learned = learn_response(points, needle, about=3.05)
    precision, weighted = 1.0, 25.0
    for first, second in itertools.pairwise(points):
        step, flow = second.setting - first.setting, (first.flow + second.flow) / 2
        u = 100 * math.hypot(first.u, second.u) / flow / step
        precision += 1 / u**2
        weighted += 100 * (second.flow - first.flow) / flow / step / u**2
    assert learned.mean == pytest.approx(weighted / precision, abs=0.05)
    assert learned.u == pytest.approx(precision**-0.5, rel=0.03)


def like_guns(slopes: list[float]) -> list[Response]:
    return [settled(slope) for slope in slopes]


def test_like_guns_of_the_cell_move_the_prior() -> None:
    """Normal-normal hierarchy in closed form: one other gun known exactly to be at a response of 40 %."""
    (other,) = like_guns([40.0])
    prior = learn_response([], NEEDLE, others=[other])
    sd2, apart2 = math.log1p(0.25), 0.2**2
    median = math.log(25.0) - sd2 / 2
    share = (sd2 - apart2) / sd2  # of the other gun's deviation that belongs to the cell
    expected = median + share * (math.log(other.quantile(0.5)) - median)
    spread2 = (sd2 - apart2) - (sd2 - apart2) ** 2 / sd2 + apart2
    assert math.log(prior.quantile(0.5)) == pytest.approx(expected, abs=0.03)
    width = math.log(prior.quantile(0.8413)) - math.log(prior.quantile(0.5))
    assert width == pytest.approx(math.sqrt(spread2), abs=0.03)
    assert (prior.observations, prior.borrowed) == (0, other.observations)
    said = advised(92.0, response=prior)
    assert "as the cell's other guns answer" in said.reason
    assert (said.in_tolerance_probability or 0) > (advised(92.0).in_tolerance_probability or 0) + 0.05


def test_a_guns_own_history_comes_before_that_of_the_others() -> None:
    rng = np.random.default_rng(1)
    points = [
        NeedlePoint(3600.0 * i, s, 100 * (1 + 0.2 * (s - 3.0)) + 0.1 * rng.standard_normal(), 0.1)
        for i, s in enumerate((2.7, 3.3, 2.8, 3.2, 2.6, 3.4))
    ]
    alone = learn_response(points, NEEDLE, about=3.0)
    beside = learn_response(points, NEEDLE, about=3.0, others=like_guns([40.0, 42.0]))
    assert beside.mean == pytest.approx(alone.mean, rel=0.08)


def test_guns_that_taught_nothing_move_nothing() -> None:
    empty = learn_response([], NEEDLE)
    assert learn_response([], NEEDLE, others=[empty]).mean == learn_response([], NEEDLE).mean
    sure = Needle(response_pct_per_unit=25.0, u_response_pct_per_unit=2.0)
    assert learn_response([], sure, others=like_guns([40.0])).mean == pytest.approx(25.0, rel=0.01)


def test_pairs_of_other_conditions_or_long_ago_teach_nothing() -> None:
    other = [NeedlePoint(0.0, 3.0, 100, 0.3, "water"), NeedlePoint(3600.0, 3.3, 106, 0.3, "butanone")]
    late = [NeedlePoint(0.0, 3.0, 100, 0.3), NeedlePoint(30 * 86400.0, 3.3, 106, 0.3)]
    same = [NeedlePoint(0.0, 3.0, 100, 0.3), NeedlePoint(3600.0, 3.0, 101, 0.3)]
    assert [learn_response(points, NEEDLE).observations for points in (other, late, same)] == [0, 0, 0]


def test_response_grows_as_the_gun_closes() -> None:
    """Flow linear in the setting: 20 %/turn about 3 is 20/(1 + 0.2 (2 - 3)) = 25 %/turn about 2."""
    rng = np.random.default_rng(2)
    points = [
        NeedlePoint(3600.0 * i, s, 100 * (1 + 0.2 * (s - 3.0)) + 0.02 * rng.standard_normal(), 0.02)
        for i, s in enumerate((2.8, 3.2, 2.7, 3.3, 2.8, 3.2, 2.7, 3.3))
    ]
    assert learn_response(points, NEEDLE, about=2.0).mean == pytest.approx(25.0, rel=0.08)


def test_a_known_response_aims_at_the_middle() -> None:
    said = advised(92.0, response=settled())
    assert said.change == pytest.approx(0.45, abs=0.051)
    assert said.advised == pytest.approx(3.0 + (said.change or 0))
    assert said.expected == pytest.approx(100.0, abs=1.5)
    assert said.in_tolerance_probability == pytest.approx(1.0, abs=0.01)
    assert "open" in said.reason
    assert said.response == pytest.approx(0.92 * 20, rel=0.12)


def test_high_flow_closes() -> None:
    said = advised(108.0, response=settled())
    assert said.change is not None
    assert said.change < 0
    assert "close" in said.reason


def test_an_unknown_response_says_so() -> None:
    said = advised(92.0)
    assert said.change is not None
    assert 0 < said.change < 0.45
    assert said.expected_low is not None
    assert said.expected_high is not None
    assert said.expected_low < 100 < said.expected_high
    assert "nothing learned yet" in said.reason


@pytest.mark.parametrize("flow", [100.0, 98.5, 101.9])
def test_a_good_gun_is_left_alone(flow: float) -> None:
    said = advised(flow, response=settled())
    assert said.change == 0
    assert said.advised == 3.0
    assert "leave it" in said.reason


def test_noise_is_not_turned_at() -> None:
    said = advise(97.0, 2.0, 100.0, 5.0, 3.0, response=settled(), needle=NEEDLE)
    assert said.change == 0


def test_an_unknown_setting_gets_a_relative_turn() -> None:
    said = advised(92.0, None)
    assert said.setting is None
    assert said.advised is None
    assert said.change is not None
    assert said.change > 0


def test_advice_is_what_a_hand_can_set() -> None:
    said = advised(92.0, 3.013, response=settled())
    assert said.advised is not None
    assert said.advised / 0.05 == pytest.approx(round(said.advised / 0.05))


def test_one_step_and_the_travel_are_limits() -> None:
    far = advised(40.0, response=settled())
    assert far.change == pytest.approx(1.0)
    assert "largest step" in far.reason
    near_end = advised(92.0, 9.9, response=settled())
    assert near_end.advised is not None
    assert near_end.advised <= 10.0
    at_end = advised(92.0, 10.0, response=settled())
    assert (at_end.advised, at_end.change) == (None, None)
    assert "end of its travel" in at_end.reason
    assert advised(108.0, 10.0, response=settled()).change is not None


def test_a_coarse_knob_is_left_where_it_is_best() -> None:
    coarse = Needle(smallest_step=1.0, largest_step=2.0)
    said = advised(97.5, response=settled(), needle=coarse)
    assert said.change == 0
    assert "would not bring it nearer" in said.reason


def test_something_else_comes_first() -> None:
    said = advised(92.0, instead="the tip looks plugged: clean it first")
    assert (said.change, said.advised, said.expected) == (None, None, None)
    assert said.reason == "the tip looks plugged: clean it first"


@pytest.mark.parametrize("flow", [-0.02, 0.0, 0.5])
def test_no_turn_is_advised_where_nothing_flows(flow: float) -> None:
    said = advised(flow)
    assert (said.change, said.advised, said.expected) == (None, None, None)
    assert said.reason.startswith("nothing flows: do not turn the needle")
    assert said.response >= 0
    assert advised(flow, instead="clean the tip").reason == "clean the tip"


@pytest.mark.parametrize(("flow", "target"), [(math.nan, 100.0), (100.0, 0.0)])
def test_nonsense_is_refused(flow: float, target: float) -> None:
    with pytest.raises(ValueError, match="above zero"):
        advise(flow, 0.3, target, 5.0, 3.0, response=learn_response([], NEEDLE), needle=NEEDLE)


def test_a_very_fine_knob_is_quick() -> None:
    fine = Needle(smallest_step=0.0001)
    said = advised(92.0, needle=fine, response=settled())
    assert said.change is not None
    assert said.change > 0.3
