"""The estimator against the truth of random traces, and against two peers, as a table by family.

    python tests/benchmarks/estimator.py --shots 400 [--family clean ...] [--seed 1] [--through-detection]

The traces come from the simulator's physics, which shares no code with the estimator. The peers get the same
readings and times:

- mean after minus mean before, over the open time: bucket, scale and stopwatch;
- the slope of the longest steep piece of a continuous piecewise-linear fit (`ruptures`, PELT).

Neither peer knows of buoyancy; the better of the two has the smaller root mean square. Where there is no
controller, both get the times at which detection saw the rise.

The Cramer-Rao bound is that of the reading curve with white noise and no prior knowledge: once with the
evaporation unknown, as it is to the estimator, and once with it known to be nothing.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

import numpy as np
import ruptures
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "support"))

from traced_windows import direct_window, windows_of

from agent.contract.fluids import known_fluid
from agent.contract.plan import Scale
from agent.detection.window import Window
from agent.flow.curve import LOSS, axis, columns_and_slopes, dispensed_gradient
from agent.flow.estimate import estimate
from agent.flow.measuring import measure
from agent.flow.surroundings import Surroundings
from simulators.traces import FAMILIES, Family, Trace, random_trace

Floats = NDArray[np.float64]
SETTLE_S = 1.5


@dataclass(slots=True)
class Score:
    """What became of the shots of one family. Errors are relative, of the flow."""

    shots: int = 0
    rejected: int = 0
    wrongly_judged: int = 0
    """Spoiled ones that were not rejected, and sound ones that were."""
    error: list[float] = field(default_factory=list)
    covered: list[bool] = field(default_factory=list)
    mean_difference: list[float] = field(default_factory=list)
    pelt: list[float] = field(default_factory=list)
    seconds: list[float] = field(default_factory=list)
    readings: list[int] = field(default_factory=list)
    bound_free: list[float] = field(default_factory=list)
    bound_known: list[float] = field(default_factory=list)

    @property
    def better_peer(self) -> float:
        """Root mean square error of the better peer."""
        return min(rms(self.mean_difference), rms(self.pelt))


def rms(values: Sequence[float]) -> float:
    """Root mean square; NaN for none."""
    finite = np.array([value for value in values if np.isfinite(value)])
    return float(np.sqrt(np.mean(np.square(finite)))) if finite.size else float("nan")


def around(trace: Trace) -> Surroundings:
    """What an agent would know around the trace."""
    scale = Scale("floor", trace.resolution_g, trace.capacity_g)
    return Surroundings(scale=scale, fluid=known_fluid(trace.fluid), fluid_c=trace.fluid_c)


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


def bounds(window: Window, surroundings: Surroundings) -> tuple[float, float]:
    """Cramer-Rao bounds of the grams' standard deviation: evaporation unknown, and known to be nothing."""
    found = estimate(window, surroundings)
    at = found.joint.at
    slopes = columns_and_slopes(axis(found.t_s, 0.0, 10.0), at) / found.left.noise_g[:, None]
    gradient = dispensed_gradient(at)
    used = np.flatnonzero(np.any(slopes != 0.0, axis=0)).tolist()
    out = []
    for left_out in ((), (LOSS, LOSS + 1)):
        free = [which for which in used if which not in left_out]
        if left_out == ():
            free.remove(LOSS + 1)
        information = slopes[:, free].T @ slopes[:, free]
        scale = 1.0 / np.sqrt(np.diag(information))
        inverse = np.linalg.pinv(information * scale[:, None] * scale, hermitian=True)
        scaled = gradient[free] * scale
        out.append(float(np.sqrt(scaled @ inverse @ scaled)))
    return out[0], out[1]


def study(family: Family, shots: int, seed: int, *, through_detection: bool = False) -> Score:
    """Measure so many random shots of a family."""
    score = Score()
    for i in range(shots):
        trace = random_trace(np.random.default_rng([seed, FAMILIES.index(family), i]), family)
        windows = windows_of(trace) if through_detection or not trace.controller else [direct_window(trace)]
        score.shots += 1
        if len(windows) != 1:
            score.wrongly_judged += not trace.spoiled
            score.rejected += trace.spoiled
            continue
        _take(score, trace, windows[0])
    return score


def _take(score: Score, trace: Trace, window: Window) -> None:
    surroundings = around(trace)
    begun = time.process_time()
    measured = measure(window, surroundings)
    score.seconds.append(time.process_time() - begun)
    score.readings.append(int(window.t_s.size))
    is_rejected = measured.quality == "rejected"
    score.rejected += is_rejected
    score.wrongly_judged += is_rejected != trace.spoiled
    if trace.spoiled or is_rejected or measured.flow_g_per_min is None or measured.flow is None:
        return
    truth = trace.true_flow_g_per_min
    score.error.append(measured.flow_g_per_min / truth - 1.0)
    score.covered.append(abs(measured.flow_g_per_min - truth) <= measured.flow.expanded)
    score.mean_difference.append(mean_difference(window) / truth - 1.0)
    score.pelt.append(pelt(window, trace.resolution_g) / truth - 1.0)
    if trace.family == "clean":
        free, known = bounds(window, surroundings)
        score.bound_free.append(free / trace.true_mass_g)
        score.bound_known.append(known / trace.true_mass_g)


def table(scores: dict[Family, Score]) -> str:
    """The scores as lines of text."""
    lines = [
        f"{'family':<16}{'shots':>6}{'rms %':>8}{'median %':>9}{'means %':>9}{'PELT %':>8}{'/ peer':>8}"
        f"{'cover %':>9}{'rejected':>9}{'misjudged':>10}{'ms':>7}"
    ]
    for family, score in scores.items():
        lines.append(_line(family, score))
    sound = [score for family, score in scores.items() if family != "spoiled"]
    errors = [error for score in sound for error in score.error]
    covered = [hit for score in sound for hit in score.covered]
    lines.append(
        f"all sound: rms {100 * rms(errors):.3f} %, 95 % intervals cover {100 * np.mean(covered):.1f} %, "
        f"median fit {1e3 * float(np.median([s for score in sound for s in score.seconds])):.1f} ms"
    )
    clean = scores.get("clean")
    if clean is not None and clean.bound_free:
        free, known = variance_ratios(clean)
        lines.append(
            f"clean: variance over the Cramer-Rao bound {free:.2f} (evaporation unknown), "
            f"{known:.2f} (known to be nothing)"
        )
    return "\n".join(lines)


def variance_ratios(clean: Score) -> tuple[float, float]:
    """Variance of the errors over the bounds: evaporation unknown, and known to be nothing."""
    variance = float(np.mean(np.square(clean.error)))
    free, known = (float(np.mean(np.square(bound))) for bound in (clean.bound_free, clean.bound_known))
    return variance / free, variance / known


def growth(seconds: Iterable[tuple[int, float]]) -> float:
    """How the time grows with the readings: the exponent of a power law through (readings, seconds)."""
    n, s = np.array(list(seconds)).T
    return float(np.polyfit(np.log(n), np.log(s), 1)[0])


def _line(family: str, score: Score) -> str:
    error = 100 * rms(score.error)
    median = 100 * float(np.median(np.abs(score.error))) if score.error else float("nan")
    cover = 100 * float(np.mean(score.covered)) if score.covered else float("nan")
    means, slopes = 100 * rms(score.mean_difference), 100 * rms(score.pelt)
    return (
        f"{family:<16}{score.shots:>6}{error:>8.3f}{median:>9.3f}{means:>9.3f}{slopes:>8.3f}"
        f"{error / min(means, slopes):>8.2f}{cover:>9.1f}{score.rejected:>9}{score.wrongly_judged:>10}"
        f"{1e3 * float(np.median(score.seconds)):>7.1f}"
    )


def main() -> None:
    """Run the study and print its table."""
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    words.add_argument("--shots", type=int, default=100, help="of each family")
    words.add_argument("--seed", type=int, default=1)
    words.add_argument("--family", action="append", choices=FAMILIES)
    words.add_argument("--through-detection", action="store_true", help="windows as the agent would cut them")
    said = words.parse_args()
    scores = {
        family: study(family, said.shots, said.seed, through_detection=said.through_detection)
        for family in said.family or FAMILIES
    }
    sys.stdout.write(table(scores) + "\n")


if __name__ == "__main__":
    main()
