"""Wear: like conditions, baseline, patterns, forecast."""

from __future__ import annotations

import math
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
import statsmodels.api as sm
from scipy.optimize import brentq

from agent.assessment.robust import huber_fit
from agent.assessment.roots import crossing_zero
from agent.assessment.wear import WearJudged, WearPoint, bounded, judge_wear
from agent.assessment.wear_changes import LONGEST_HISTORY, changes_of
from agent.assessment.wear_charts import D2_OF_TWO, average_run_length, decision_limit
from agent.assessment.wear_forecast import Line, crossing, fit_line

START_S = 1.9e9
SHIFT_S = 28800.0


def checks(
    wear: Callable[[int], float], n: int, seed: int = 1, sd: float = 0.003, level: float = 96.0
) -> list[WearPoint]:
    rng = np.random.default_rng(seed)
    return [
        WearPoint(
            START_S + i * SHIFT_S,
            level * (1 + wear(i)) * (1 + sd * rng.standard_normal()),
            sd * level,
            3.0,
            0.5,
            "butanone",
            5000.0 * i,
        )
        for i in range(n)
    ]


def test_few_checks_make_a_baseline_first() -> None:
    judged = judge_wear(checks(lambda _: 0.0, 4))
    assert (judged.checks, judged.change_pct, judged.pattern) == (4, None, "none")
    assert "4 of 5" in judged.reason
    assert judge_wear([]).since_s is None


def test_a_steady_gun_shows_nothing() -> None:
    judged = judge_wear(checks(lambda _: 0.0, 100))
    assert (judged.pattern, judged.due) == ("none", None)
    assert judged.change_low_pct is not None
    assert judged.change_high_pct is not None
    assert judged.change_low_pct < 0 < judged.change_high_pct


@pytest.mark.parametrize("worn", [0.0, 0.004])
@pytest.mark.parametrize("since_cleaned", [1, 2, 3])
def test_a_tip_that_was_cleaned_is_not_called_plugged(worn: float, since_cleaned: int) -> None:
    """Nobody can tell the agent of a cleaning: two checks later it still called for one, at -6 %."""
    n = 24 + since_cleaned
    points = checks(lambda i: worn * i - (0.13 if 21 <= i < 24 else 0.0), n, seed=3, sd=0.002)
    plugged, judged = judge_wear(points[:24]), judge_wear(points)
    assert plugged.pattern == "plugging"
    assert judged.pattern == ("drift" if worn else "none")
    assert judged.change_pct == pytest.approx(100 * worn * (n - 1), abs=0.6)
    assert "plugged" not in judged.reason
    assert "fall" not in judged.reason
    assert "apart" not in judged.reason


def test_a_tip_that_is_half_clean_is_still_plugged() -> None:
    """Back by half is no return: the level that stays is what a cleaning left."""
    points = checks(lambda i: -0.13 if 21 <= i < 24 else -0.06 if i >= 24 else 0.0, 26, sd=0.002)
    assert judge_wear(points).pattern == "plugging"


def test_the_limit_is_said_once() -> None:
    below, beyond = judge_wear(checks(lambda i: 0.002 * i, 40)), judge_wear(checks(lambda i: 0.004 * i, 40))
    assert below.reason.endswith("over 40 checks, limit 10 %")
    assert beyond.reason.endswith("over 40 checks, beyond the limit of 10 %")


def test_slow_wear_is_a_drift_with_a_date() -> None:
    judged = judge_wear(checks(lambda i: 0.0005 * i, 100))
    assert judged.pattern == "drift"
    assert judged.change_pct == pytest.approx(4.95, abs=0.4)
    assert judged.due is not None
    assert judged.due.latest_s is not None
    true_s = START_S + 200 * SHIFT_S
    assert judged.due.at_s == pytest.approx(true_s, abs=14 * SHIFT_S)
    assert judged.due.earliest_s < true_s < judged.due.latest_s
    assert judged.due_g == pytest.approx(5000 * 101, rel=0.14)
    assert judged.due_low_g is not None
    assert judged.due_g is not None
    assert judged.due_low_g < judged.due_g
    assert judged.slope_pct_per_day == pytest.approx(0.15, rel=0.1)


def test_a_gun_beyond_its_limit_is_due_now() -> None:
    points = checks(lambda i: 0.001 * i, 130)
    judged = judge_wear(points)
    assert judged.due is not None
    assert judged.due.at_s == pytest.approx(points[-1].at_s)
    assert judged.due_g == pytest.approx(0.0, abs=1.0)
    assert "beyond the limit" in judged.reason


def test_a_chipped_tip_is_a_step_found_at_once() -> None:
    judged = judge_wear(checks(lambda i: 0.04 * (i >= 60), 61))
    assert judged.pattern == "step"
    assert judged.due is None
    assert "check again" in judged.reason
    later = judge_wear(checks(lambda i: 0.04 * (i >= 60), 90))
    assert later.pattern == "step"
    assert later.change_pct == pytest.approx(4.0, abs=0.4)


@pytest.mark.parametrize("wear", [lambda i: -0.04 * (i >= 60), lambda i: -0.0008 * max(0, i - 30)])
def test_low_flow_is_plugging_not_wear(wear: Callable[[int], float]) -> None:
    judged = judge_wear(checks(wear, 90))
    assert judged.pattern == "plugging"
    assert judged.due is None
    assert "no wear" in judged.reason


def test_plugging_on_top_of_wear_is_seen_and_cleared() -> None:
    def plugged(i: int) -> float:
        return 0.0005 * i - 0.04 * (80 <= i < 90)

    during = judge_wear(checks(plugged, 88))
    assert during.pattern == "plugging"
    assert "worn level" in during.reason
    after = judge_wear(checks(plugged, 110))
    assert after.pattern == "drift"
    assert after.due is not None
    assert after.due.at_s == pytest.approx(START_S + 200 * SHIFT_S, abs=16 * SHIFT_S)


def turned(points: list[WearPoint], at: int, setting: float, ratio: float) -> list[WearPoint]:
    return [
        point if i < at else replace(point, setting=setting, flow=ratio * point.flow)
        for i, point in enumerate(points)
    ]


def test_a_turned_needle_is_no_wear_and_does_not_hide_it() -> None:
    steady = turned(checks(lambda _: 0.0, 90), 40, 3.4, 1.10)
    assert judge_wear(steady).pattern == "none"
    worn = turned(turned(checks(lambda i: 0.0005 * i, 150), 50, 2.9, 0.975), 100, 2.8, 0.975)
    judged = judge_wear(worn)
    assert judged.pattern == "drift"
    assert judged.change_pct == pytest.approx(7.45, abs=1.2)
    assert judged.due is not None
    assert judged.due.latest_s is not None
    assert judged.due.earliest_s < START_S + 200 * SHIFT_S < judged.due.latest_s


def test_two_fluids_in_turn_are_compared_with_themselves() -> None:
    points = [
        point if i % 2 else replace(point, fluid="water", flow=1.2 * point.flow)
        for i, point in enumerate(checks(lambda i: 0.0005 * i, 120))
    ]
    judged = judge_wear(points)
    assert judged.pattern == "drift"
    assert judged.change_pct == pytest.approx(5.95, abs=0.7)


def test_the_unit_of_flow_and_the_order_do_not_matter() -> None:
    points = checks(lambda i: 0.0004 * i, 80)
    shuffled = list(np.random.default_rng(0).permutation(np.array(points, dtype=object)))
    assert judge_wear(points) == judge_wear(shuffled)
    scaled = judge_wear([replace(point, flow=7 * point.flow, u=7 * point.u) for point in points])
    assert scaled.change_pct == pytest.approx(judge_wear(points).change_pct)


def test_one_odd_check_is_told_but_does_not_spoil_the_baseline() -> None:
    points = checks(lambda _: 0.0, 30)
    points[2] = replace(points[2], flow=1.03 * points[2].flow)
    assert judge_wear(points).pattern == "none"
    points[-1] = replace(points[-1], flow=0.991 * points[-1].flow)
    judged = judge_wear(points)
    assert judged.odd_check
    assert "lies apart" in judged.reason


@pytest.mark.parametrize("plugged", [0.001, 0.02, 0.5])
def test_the_check_of_a_plugged_gun_does_not_hide_the_wear_after_it(plugged: float) -> None:
    points = checks(lambda i: 0.003 * i, 40)
    clean = judge_wear(points)
    # Its uncertainty is that of a weighing: a hundred times as large as so little flow.
    points[15] = replace(points[15], flow=plugged, u=0.1)
    judged = judge_wear(points)
    assert (clean.pattern, judged.pattern) == ("drift", "drift")
    assert judged.change_pct == pytest.approx(clean.change_pct, abs=0.4)
    assert judged.due is not None


def test_a_jump_is_carried_on_when_the_needle_is_turned_at_it() -> None:
    """Plugged by 8 %, and the needle opened to make up for it at once: the tip is still plugged."""
    points = turned(checks(lambda i: -0.08 * (i >= 40), 60), 41, 3.4, 1 / 0.92)
    judged = judge_wear(points)
    assert judged.pattern == "plugging"
    assert judged.change_pct == pytest.approx(-8.0, abs=0.8)


def test_history_is_bounded_and_keeps_its_baseline() -> None:
    points = checks(lambda i: 0.00002 * i, 2500)
    kept = bounded(points)
    assert len(kept) == LONGEST_HISTORY
    assert kept[:60] == tuple(points[:60])
    assert kept[-1] == points[-1]
    judged = judge_wear(points)
    assert judged.pattern == "drift"
    assert judged.change_pct == pytest.approx(5.0, abs=0.4)


def test_impossible_flows_are_left_out() -> None:
    points = checks(lambda _: 0.0, 10)
    points[3] = replace(points[3], flow=math.nan)
    points[4] = replace(points[4], flow=0.0)
    assert judge_wear(points).checks == 8


@pytest.mark.parametrize("sd", [0.002, 0.004, 0.008])
def test_scatter_of_checks_is_found_and_a_step_does_not_inflate_it(sd: float) -> None:
    points = [replace(p, u=0.003 * p.flow) for p in checks(lambda i: 0.05 * (i > 30), 60, sd=sd)]
    assert changes_of(points).sigma == pytest.approx(sd, rel=0.3)


def test_scatter_agrees_with_the_individuals_chart() -> None:
    points = [replace(p, u=0.0) for p in checks(lambda _: 0.0, 400)]
    moving_range = np.mean(np.abs(np.diff([math.log(p.flow) for p in points])))
    seen = changes_of(points).sigma * math.sqrt((399 + 6) / 399)
    assert seen == pytest.approx(moving_range / D2_OF_TWO, rel=0.03)


def test_a_known_baseline_needs_the_smallest_limit() -> None:
    limits = [decision_limit(1.0, 1000.0, baseline) for baseline in (0, 40, 15, 8)]
    assert limits == sorted(limits)
    run = 1 / (2 / average_run_length(1.0, limits[0]))
    assert run == pytest.approx(1000, rel=0.01)


def test_prediction_interval_is_the_standard_one() -> None:
    """Half widths against statsmodels' OLS prediction, mean and single observation."""
    rng = np.random.default_rng(5)
    x = np.sort(rng.uniform(0, 30, 25))
    y = 0.2 * x + rng.standard_normal(25)
    ols = sm.OLS(y, sm.add_constant(x)).fit()
    squares = float(np.sum((x - x.mean()) ** 2))
    line = Line(float(y.mean()), float(ols.params[1]), math.sqrt(ols.mse_resid), 25, float(x.mean()), squares)
    frame = ols.get_prediction(np.array([[1.0, 45.0]])).summary_frame(alpha=0.05)
    assert line.at(45.0) == pytest.approx(frame["mean"][0])
    assert line.half_width(45.0) == pytest.approx((frame["obs_ci_upper"] - frame["mean"])[0])
    assert line.half_width(45.0, single=False) == pytest.approx((frame["mean_ci_upper"] - frame["mean"])[0])
    assert line.u_slope == pytest.approx(ols.bse[1])


def test_grouped_slope_is_that_of_a_model_with_a_level_for_each_group() -> None:
    rng = np.random.default_rng(6)
    x, group = np.arange(40.0), np.repeat([0, 1, 2, 1], 10)
    y = 0.3 * x + np.array([5.0, -3.0, 9.0])[group] + 0.1 * rng.standard_normal(40)
    design = np.column_stack([x, *(group == g for g in range(3))]).astype(float)
    line = fit_line(x, y, group, bend=1e9, keep_all=True)
    assert line is not None
    assert line.slope == pytest.approx(float(sm.OLS(y, design).fit().params[0]), rel=1e-9)
    assert line.dof == 36


@pytest.mark.parametrize("bend", [1.345, 2.0])
@pytest.mark.parametrize("seed", range(6))
def test_the_robust_fit_is_that_of_statsmodels(seed: int, bend: float) -> None:
    """Against statsmodels' RLM with Huber's norm and the MAD: coefficients and scale."""
    rng = np.random.default_rng(seed)
    n = 20 + 30 * seed
    x = np.sort(rng.uniform(-1, 1, n))
    y = 0.05 + 0.03 * x + 0.004 * rng.standard_normal(n)
    y[rng.choice(n, n // 6, replace=False)] -= rng.uniform(0.02, 0.5)
    design = np.column_stack([np.ones_like(x), x])
    theirs = sm.RLM(y, design, M=sm.robust.norms.HuberT(bend)).fit(maxiter=200, tol=1e-12)
    ours = huber_fit(design, y, bend)
    assert ours.beta == pytest.approx(theirs.params, rel=1e-6, abs=1e-9)
    assert ours.scale == pytest.approx(float(theirs.scale), rel=1e-5)


@pytest.mark.parametrize("at", [0.0, 0.3, 1.7, 2.999])
def test_a_crossing_is_that_of_scipy(at: float) -> None:
    def curve(x: float) -> float:
        return math.atan(5 * (x - at)) + 0.2 * (x - at)

    assert crossing_zero(curve, 0.0, 3.0) == pytest.approx(brentq(curve, 0.0, 3.0, xtol=1e-14), abs=1e-11)
    with pytest.raises(ValueError, match="does not change its sign"):
        crossing_zero(curve, 4.0, 5.0)


def test_a_forecast_loads_no_library_that_a_small_computer_has_no_room_for() -> None:
    script = (
        "import sys\n"
        "from agent.assessment.wear import WearPoint, judge_wear\n"
        "flows = [100 * (1 + 0.0005 * i + 0.003 * (-1) ** i - 0.05 * (i % 17 == 9)) for i in range(120)]\n"
        "points = [WearPoint(1.9e9 + 28800 * i, f, 0.3, 3.0, 0.5, 'butanone', 5e3 * i)"
        " for i, f in enumerate(flows)]\n"
        "assert judge_wear(points).due is not None\n"
        "print(*sys.modules)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True, timeout=60
    )
    assert not {"statsmodels", "pandas", "patsy", "scipy.optimize", "scipy.stats"} & set(done.stdout.split())


def test_some_far_points_do_not_bend_a_line() -> None:
    rng = np.random.default_rng(7)
    x = np.arange(60.0)
    y = 0.01 * x + 0.05 * rng.standard_normal(60)
    y[40:52] -= 2.0
    line = fit_line(x, y)
    assert line is not None
    assert line.slope == pytest.approx(0.01, abs=0.002)


def test_a_line_that_cannot_be_carried() -> None:
    assert fit_line(np.ones(10), np.arange(10.0)) is None
    assert fit_line(np.arange(3.0), np.arange(3.0)) is None


def test_a_perfect_line_has_a_sharp_crossing() -> None:
    line = fit_line(np.arange(20.0), 0.5 * np.arange(20.0))
    assert line is not None
    meets = crossing(line, 20.0, start=0.0, now=19.0, furthest=1000.0)
    assert meets is not None
    assert meets.x == pytest.approx(40.0)
    assert crossing(line, 2000.0, start=0.0, now=19.0, furthest=1000.0) is None
    falling = replace(line, slope=-0.5)
    assert crossing(falling, 20.0, start=0.0, now=19.0, furthest=1000.0) is None


def test_an_open_end_is_told_as_such() -> None:
    line = Line(level=1.0, slope=0.01, scale=1.0, n=10, centre=5.0, squares=82.5)
    meets = crossing(line, 2.0, start=0.0, now=9.0, furthest=1000.0)
    assert meets is not None
    assert meets.latest is None


def test_the_same_points_say_the_same_words() -> None:
    first: WearJudged = judge_wear(checks(lambda i: 0.0004 * i, 70))
    assert first == judge_wear(checks(lambda i: 0.0004 * i, 70))


def test_grams_that_nobody_counted_leave_the_date_and_no_grams() -> None:
    points = checks(lambda i: 0.0005 * i, 100)
    whole, none = judge_wear(points), judge_wear([replace(point, grams=None) for point in points])
    assert (none.due, none.due_g) == (whole.due, None)
    late = [replace(point, grams=None) if i < 40 else point for i, point in enumerate(points)]
    assert judge_wear(late).due_g == pytest.approx(whole.due_g, rel=0.2)
