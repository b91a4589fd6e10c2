"""The estimator against the truth of random traces, and against two peers, as a table by family.

    python tests/benchmarks/estimator.py --shots 400 [--family clean ...] [--seed 1] [--through-detection]
    python tests/benchmarks/estimator.py --second-physics --shots 200 [--seed 1]

The traces come from the simulator's physics, which shares no code with the estimator, or from those of
`tests/support/second_physics.py`, which shares none with either. The peers get the same readings and times:

- mean after minus mean before, over the open time: bucket, scale and stopwatch;
- the slope of the longest steep piece of a continuous piecewise-linear fit (`ruptures`, PELT).

The shots come in checks of three: one gun into one container on one scale, of which nothing is known before
the first. What the agent learns of the container and the scale from a good shot it knows at the next, as in
the field. The cover of the first shots alone stands beside that of all: there nobody knows yet whether the
container evaporates, and the intervals must be wide enough for one that does.

The windows are cut at the told times; where there is no controller, and of spoiled shots, detection cuts.
Neither peer knows of buoyancy; the better of the two has the smaller root mean square. Where there is no
controller, both get the times at which detection saw the rise.

The truth is drawn from what the budget declares. The simulated scale is rightly adjusted, so no class and
no calibration are configured and the budget has no line for them. But the simulated air is always the same,
the liquid's density a table's, the open time told exactly and the stroke of a valve a straight line, while
the budget says that they are known to so much only. So for each shot the air, the liquid's density, the error
of the told time and, where there is no controller, what the strokes add are drawn from just those
uncertainties, and the truth is that which would have given the same readings. Nothing else is drawn.

The bounds are those of van Trees (the Cramer-Rao bound with prior knowledge) for the grams: white noise of
the size the fit found, and for each parameter exactly the prior of the fit. The column has them with the
evaporation known as well as the family allows: as good as none, or that of an open container. A family's
figure above half of the better peer may still be at its bound: the last column is the bound over the peer.
The variance on clean shots is held against the bound of a rate that is as good as none, once with an
estimator that has learned that from earlier shots, once with one that has not; and the latter against the
bound of a rate of which nothing at all is known.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import ruptures
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "support"))

import second_physics
from second_physics import KINDS, played
from traced_windows import direct_window, windows_of

from agent.contract.fluids import known_fluid
from agent.contract.plan import Scale
from agent.detection.window import Window
from agent.flow.air import air
from agent.flow.buoyancy import buoyancy_factor
from agent.flow.curve import BEND, LOSS, dispensed_gradient
from agent.flow.estimate import Estimate, estimate
from agent.flow.evaporation import NOTHING, OPEN
from agent.flow.fluids import density
from agent.flow.known import Known
from agent.flow.learned import Learned
from agent.flow.measuring import U_STROKE_S, Measurement, measure
from agent.flow.priors import LOSS_U
from agent.flow.surroundings import Surroundings
from agent.pipeline.lessons import Lessons
from simulators.traces import FAMILIES, Family, Trace, random_check

Floats = NDArray[np.float64]
SHOTS_IN_CHECK = 3
SETTLE_S = 1.5
SIMULATED_AIR_KG_M3 = 1.199
"""CIPM-2007 at 20 C, 1013.25 hPa and 50 %: what the simulated shop has."""
STILL_U = 1e-5
"""A rate that does not change within a shot, as in the simulated clean shots, g/s."""


@dataclass(slots=True)
class Score:
    """What became of the shots of one family. Errors are relative, of the flow."""

    shots: int = 0
    unseen: int = 0
    """Spoiled shots that show nothing of it."""
    rejected: int = 0
    wrongly_judged: int = 0
    """Spoiled ones that were not rejected, and sound ones that were."""
    error: list[float] = field(default_factory=list)
    covered: list[bool] = field(default_factory=list)
    covered_first: list[bool] = field(default_factory=list)
    """The same of the first shots of the checks."""
    mean_difference: list[float] = field(default_factory=list)
    pelt: list[float] = field(default_factory=list)
    seconds: list[float] = field(default_factory=list)
    readings: list[int] = field(default_factory=list)
    bound: list[float] = field(default_factory=list)
    """Van Trees' bound of each shot's relative error, with what can be known of the rate in its family."""
    told: list[float] = field(default_factory=list)
    """Errors of the grams of clean shots with a long history."""
    untold: list[float] = field(default_factory=list)
    """The same without any."""
    bound_told: list[float] = field(default_factory=list)
    bound_free: list[float] = field(default_factory=list)

    @property
    def better_peer(self) -> float:
        """Root mean square error of the better peer."""
        return min(rms(self.mean_difference), rms(self.pelt))


def rms(values: Sequence[float]) -> float:
    """Root mean square; NaN for none."""
    finite = np.array([value for value in values if np.isfinite(value)])
    return float(np.sqrt(np.mean(np.square(finite)))) if finite.size else float("nan")


def percent(hits: Sequence[bool]) -> float:
    """Share of the hits in percent; NaN for none."""
    return 100.0 * float(np.mean(hits)) if hits else float("nan")


def was_spoiled(trace: Trace) -> bool:
    """Whether a spoiled trace shows it: some a nearly full pan was meant to spoil never run over."""
    overload = any("overload" in note for note in trace.notes)
    return trace.spoiled and not (overload and not np.isnan(trace.mass_g).any())


def around(trace: Trace, lessons: Lessons, gun: str | None) -> Surroundings:
    """What an agent would know around the trace."""
    scale = Scale("floor", trace.resolution_g, trace.capacity_g)
    learned = lessons.of(gun, scale.name)
    return Surroundings(scale=scale, fluid=known_fluid(trace.fluid), fluid_c=trace.fluid_c, learned=learned)


def mean_difference(window: Window) -> float:
    """Flow in g/min by the mean after less the mean before."""
    t = window.t_s - window.opened_s
    length = window.closed_s - window.opened_s
    before, after = window.mass_g[t < 0.0], window.mass_g[t > length + SETTLE_S]
    if not before.size or not after.size:
        return float("nan")
    return float(60.0 * (after.mean() - before.mean()) / (window.open_s or length))


def pelt(window: Window, resolution_g: float) -> float:
    """Flow in g/min by the slope of the longest steep piece of a piecewise-linear fit."""
    t, mass = window.t_s - window.opened_s, window.mass_g
    n = t.size
    step = max(1, n // 120)
    noise = max(float(np.median(np.abs(np.diff(mass)))) / 0.954, 0.29 * resolution_g, 1e-3)
    fit = ruptures.Pelt(model="clinear", min_size=max(3, step), jump=step).fit(mass.reshape(-1, 1))
    edges = [0, *fit.predict(pen=12.0 * np.log(n) * noise**2)]
    steep = 0.5 * float(np.ptp(mass)) / max(window.closed_s - window.opened_s, 1.0)
    pieces = [
        (high - low, float(np.polyfit(t[low:high], mass[low:high], 1)[0]))
        for low, high in pairwise(edges)
        if high - low >= 3
    ]
    ramps = [piece for piece in pieces if piece[1] > steep]
    return 60.0 * max(ramps)[1] if ramps else float("nan")


def bound_g(found: Estimate, u_loss: float, *, u_bend: float = STILL_U) -> float:
    """Van Trees' bound of the grams' standard deviation: the readings' information and the fit's own priors.

    `u_loss` and `u_bend` say how well the evaporation is known before, g/s.
    """
    u = found.prior.u.copy()
    u[LOSS], u[BEND] = u_loss, u_bend
    free = np.flatnonzero(u > 0)
    slopes, tells = found.joint.slopes[:, free], np.square(1.0 / found.left.noise_g)
    if slopes.shape[0] != tells.size:
        # On a coarse scale stand-ins and intervals were fitted.
        tells = found.joint.information
    information = (slopes * tells[:, None]).T @ slopes + np.diag(u[free] ** -2.0)
    scale = 1.0 / np.sqrt(np.diag(information))
    inverse = np.linalg.pinv(information * scale[:, None] * scale, hermitian=True)
    scaled = dispensed_gradient(found.joint.at)[free] * scale
    return float(np.sqrt(scaled @ inverse @ scaled))


def drawn_truth(rng: np.random.Generator, flow: float, surroundings: Surroundings, window: Window) -> float:
    """The flow that gave the readings, were air, density and told time off by what the budget declares."""
    shop = air(surroundings.air_temperature_c, surroundings.air_pressure_hpa, surroundings.air_humidity_pct)
    assert surroundings.fluid is not None
    assert surroundings.fluid_c is not None
    liquid = density(surroundings.fluid, surroundings.fluid_c)
    assert liquid is not None
    here = buoyancy_factor(rng.normal(liquid.value, liquid.u), SIMULATED_AIR_KG_M3 + rng.normal(0.0, shop.u))
    mass = here / buoyancy_factor(liquid.value, SIMULATED_AIR_KG_M3)
    if window.open_s is None:
        length = window.closed_s - window.opened_s
        return flow * mass * length / (length + rng.normal(0.0, U_STROKE_S))
    assert window.u_open_s is not None
    return flow * mass * window.open_s / (window.open_s + rng.normal(0.0, window.u_open_s))


def study(family: Family, shots: int, seed: int, *, through_detection: bool = False) -> Score:
    """Measure so many random shots of a family, in checks."""
    score = Score()
    for check in range(-(-shots // SHOTS_IN_CHECK)):
        at = [seed, FAMILIES.index(family), check]
        lessons = Lessons()
        traces = random_check(np.random.default_rng(at), family, SHOTS_IN_CHECK)
        for i, trace in enumerate(traces[: shots - score.shots]):
            detected = through_detection or trace.spoiled or not trace.controller
            windows = windows_of(trace) if detected else [direct_window(trace)]
            score.shots += 1
            if trace.spoiled and not was_spoiled(trace):
                score.unseen += 1
                continue
            if len(windows) != 1:
                score.wrongly_judged += not trace.spoiled
                score.rejected += trace.spoiled
                continue
            before = len(score.covered)
            _take(score, trace, windows[0], lessons, np.random.default_rng([*at, i, 1]))
            if i == 0:
                score.covered_first.extend(score.covered[before:])
    return score


def second_study(kind: second_physics.Kind, shots: int, seed: int) -> Score:
    """Measure so many random shots of the second physics."""
    score = Score()
    for i in range(shots):
        shot = played(np.random.default_rng([seed, KINDS.index(kind), i]), kind)
        score.shots += 1
        measured = _timed(score, shot.window, shot.around)
        if measured.quality == "rejected" or measured.flow_g_per_min is None:
            score.rejected += 1
            score.wrongly_judged += 1
            continue
        resolution_g = shot.around.scale.resolution_g
        _compare(score, shot.window, measured, shot.true_flow_g_per_min, resolution_g)
        u_loss = OPEN if shot.evaporates else NOTHING[1]
        _bound(score, estimate(shot.window, shot.around), u_loss)
    return score


def _timed(score: Score, window: Window, surroundings: Surroundings) -> Measurement:
    begun = time.process_time()
    measured = measure(window, surroundings)
    score.seconds.append(time.process_time() - begun)
    score.readings.append(int(window.t_s.size))
    return measured


def _take(score: Score, trace: Trace, window: Window, lessons: Lessons, rng: np.random.Generator) -> None:
    surroundings = around(trace, lessons, window.gun)
    measured = _timed(score, window, surroundings)
    if measured.quality == "good":
        lessons.learn(window, measured, trace.family)
    is_rejected = measured.quality == "rejected"
    score.rejected += is_rejected
    score.wrongly_judged += is_rejected != trace.spoiled
    if trace.spoiled or is_rejected or measured.flow_g_per_min is None or measured.flow is None:
        return
    truth = drawn_truth(rng, trace.true_flow_g_per_min, surroundings, window)
    _compare(score, window, measured, truth, trace.resolution_g)
    evaporates = trace.family in {"evaporating", "lid_ajar"}
    found = estimate(window, surroundings)
    _bound(score, found, OPEN if evaporates else NOTHING[1])
    if trace.family == "clean":
        for errors, learned in (
            (score.told, Learned(evaporation=Known(*NOTHING, 20))),
            (score.untold, Learned()),
        ):
            mass_g = estimate(window, replace(surroundings, learned=learned)).mass_g
            errors.append(mass_g * buoyancy_of(surroundings) / trace.true_mass_g - 1.0)
        score.bound_told.append(bound_g(found, NOTHING[1]) / found.mass_g)
        score.bound_free.append(bound_g(found, LOSS_U) / found.mass_g)


def buoyancy_of(surroundings: Surroundings) -> float:
    """True grams for each of the scale's, in the simulated air."""
    assert surroundings.fluid is not None
    assert surroundings.fluid_c is not None
    liquid = density(surroundings.fluid, surroundings.fluid_c)
    assert liquid is not None
    return buoyancy_factor(liquid.value, SIMULATED_AIR_KG_M3)


def _compare(score: Score, window: Window, measured: Measurement, truth: float, resolution_g: float) -> None:
    assert measured.flow_g_per_min is not None
    assert measured.flow is not None
    off = measured.flow_g_per_min - truth
    score.error.append(off / truth)
    score.covered.append(-measured.flow.above <= off <= measured.flow.below)
    score.mean_difference.append(mean_difference(window) / truth - 1.0)
    score.pelt.append(pelt(window, resolution_g) / truth - 1.0)


def _bound(score: Score, found: Estimate, u_loss: float) -> None:
    score.bound.append(bound_g(found, u_loss) / found.mass_g)


def table(scores: Mapping[str, Score]) -> str:
    """The scores as lines of text."""
    lines = [
        f"{'family':<16}{'shots':>6}{'rms %':>8}{'median %':>9}{'means %':>9}{'PELT %':>8}{'/ peer':>8}"
        f"{'cover %':>9}{'first %':>9}{'rejected':>9}{'misjudged':>10}{'ms':>7}{'bound %':>9}{'/ peer':>8}"
    ]
    for family, score in scores.items():
        lines.append(_line(family, score))
    sound = [score for family, score in scores.items() if family != "spoiled"]
    errors = [error for score in sound for error in score.error]
    covered = [hit for score in sound for hit in score.covered]
    first = [hit for score in sound for hit in score.covered_first]
    lines.append(
        f"all sound: rms {100 * rms(errors):.3f} %, 95 % intervals cover {100 * np.mean(covered):.1f} % "
        f"({percent(first):.1f} % of first shots), "
        f"median fit {1e3 * float(np.median([s for score in sound for s in score.seconds])):.1f} ms"
    )
    clean = scores.get("clean")
    if clean is not None and clean.bound_told:
        told, untold, free = variance_ratios(clean)
        lines.append(
            f"clean, variance over van Trees' bound: {told:.2f} with a history, {untold:.2f} without one; "
            f"{free:.2f} over that of an unknown evaporation"
        )
    return "\n".join(lines)


def variance_ratios(clean: Score) -> tuple[float, float, float]:
    """Mean square errors over bounds: with a history, and without one over two bounds."""
    told = rms(clean.bound_told)
    return (
        (rms(clean.told) / told) ** 2,
        (rms(clean.untold) / told) ** 2,
        (rms(clean.untold) / rms(clean.bound_free)) ** 2,
    )


def growth(seconds: Iterable[tuple[int, float]]) -> float:
    """How the time grows with the readings: the exponent of a power law through (readings, seconds)."""
    n, s = np.array(list(seconds)).T
    return float(np.polyfit(np.log(n), np.log(s), 1)[0])


def _line(family: str, score: Score) -> str:
    error = 100 * rms(score.error)
    median = 100 * float(np.median(np.abs(score.error))) if score.error else float("nan")
    cover, first = percent(score.covered), percent(score.covered_first)
    means, slopes = 100 * rms(score.mean_difference), 100 * rms(score.pelt)
    return (
        f"{family:<16}{score.shots:>6}{error:>8.3f}{median:>9.3f}{means:>9.3f}{slopes:>8.3f}"
        f"{error / min(means, slopes):>8.2f}{cover:>9.1f}{first:>9.1f}"
        f"{score.rejected:>9}{score.wrongly_judged:>10}"
        f"{1e3 * float(np.median(score.seconds)):>7.1f}{100 * rms(score.bound):>9.3f}"
        f"{100 * rms(score.bound) / min(means, slopes):>8.2f}"
    )


def main() -> None:
    """Run the study and print its table."""
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    words.add_argument("--shots", type=int, default=100, help="of each family")
    words.add_argument("--seed", type=int, default=1)
    words.add_argument("--family", action="append", choices=FAMILIES)
    words.add_argument("--through-detection", action="store_true", help="windows as the agent would cut them")
    words.add_argument("--second-physics", action="store_true", help="shots of the second physics")
    said = words.parse_args()
    if said.second_physics:
        second: dict[str, Score] = {kind: second_study(kind, said.shots, said.seed) for kind in KINDS}
        sys.stdout.write(table(second) + "\n")
        return
    scores: dict[str, Score] = {
        family: study(family, said.shots, said.seed, through_detection=said.through_detection)
        for family in said.family or FAMILIES
    }
    sys.stdout.write(table(scores) + "\n")


if __name__ == "__main__":
    main()
