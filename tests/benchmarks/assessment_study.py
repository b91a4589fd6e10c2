"""How well the assessment judges: wear, forecasts, advice and causes against simulated truth, as tables.

Run: .venv/bin/python tests/benchmarks/assessment_study.py [--small]

Everything here is drawn from models of its own (a needle annulus, a wearing nozzle, guns with faults) that
share no code with the agent. Checks scatter by 0.3 % unless a table says otherwise; three checks a day.
"""

from __future__ import annotations

import argparse
import math
import statistics
import sys
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from agent.assessment.advice import NeedlePoint, Response, advise, learn_response
from agent.assessment.causes import CellEvidence, GunEvidence, rank_causes
from agent.assessment.wear import FALSE_ALARM_EVERY, WORTH_TELLING, WearPoint, judge_wear
from agent.assessment.wear_changes import changes_of
from agent.assessment.wear_charts import average_run_length, decision_limit
from agent.contract.plan import Needle

SHIFT_S = 8 * 3600.0
START_S = 1.9e9
Rng = np.random.Generator


# --- wear ---------------------------------------------------------------------------------------------


def history(
    rng: Rng, wear: Callable[[int], float], n: int, sd: float = 0.003, *, busy: bool = False
) -> list[WearPoint]:
    """The checks of a gun whose flow follows 1 + wear(i); `busy`: needle turned, fluids changed."""
    points = []
    setting, opening = 3.0, 1.0
    for i in range(n):
        fluid = "butanone" if not busy or i % 4 else "water"
        if busy and i and i % 37 == 0:  # the technician brings it back to target by hand
            turn = -0.05 * round(100 * wear(i) / 25 / 0.05 * rng.uniform(0.3, 1.0))
            setting, opening = round(setting + turn, 2), opening * (1 + 0.27 * turn)
        level = 100.0 * opening * (1.0 if fluid == "butanone" else 1.21)
        flow = level * (1 + wear(i)) * (1 + sd * rng.standard_normal())
        at_s, grams = START_S + i * SHIFT_S, 5000.0 * i
        points.append(WearPoint(at_s, flow, sd * flow, setting, 0.5, fluid, grams))
    return points


@dataclass(frozen=True)
class Delay:
    """Checks from a step to its finding."""

    sd_pct: float
    found: float
    theory: float
    missed: int
    false_per_1000: float


def delays(rng: Rng, guns: int, sd: float, step: float = 0.02, at: int = 40) -> Delay:
    """A step of `step` at check `at`: mean delay, and false alarms before it."""
    found, theory, missed, false, quiet = [], [], 0, 0, 0
    for _ in range(guns):
        points = history(rng, lambda i: step if i >= at else 0.0, at + 60, sd)
        before = False
        for n in range(5, at + 1):
            now = judge_wear(points[:n]).pattern != "none"
            false += now and not before
            before, quiet = now, quiet + 1
        late = next((n for n in range(at + 1, at + 61) if judge_wear(points[:n]).pattern != "none"), None)
        missed += late is None
        if late is not None:
            found.append(late - at)
        changes = changes_of(points[:at])
        k = max(0.5, round(WORTH_TELLING / 2 / changes.sigma, 1))
        h = decision_limit(k, FALSE_ALARM_EVERY, changes.baseline)
        theory.append(average_run_length(k, h, step / sd))
    return Delay(100 * sd, statistics.fmean(found), statistics.fmean(theory), missed, 1000 * false / quiet)


@dataclass(frozen=True)
class Forecast:
    """A forecast against the truth, in percent of life."""

    life_used: float
    given: int
    guns: int
    rms_error_pct: float
    bias_pct: float
    covered: int
    rms_error_g_pct: float


def forecasts(
    rng: Rng, guns: int, used: float, *, busy: bool, power: float = 1.0, life: int = 200, sd: float = 0.003
) -> Forecast:
    """Forecasts at a part of a life of `life` checks, whose end is a wear of 10 %."""
    errors, errors_g, covered = [], [], 0
    end_s = START_S + life * SHIFT_S
    for _ in range(guns):
        n = int(used * life)
        points = history(rng, lambda i: 0.10 * (i / life) ** power, n, sd, busy=busy)
        judged = judge_wear(points)
        if judged.due is None:
            continue
        errors.append((judged.due.at_s - end_s) / (life * SHIFT_S))
        covered += judged.due.earliest_s <= end_s and (judged.due.latest_s or math.inf) >= end_s
        if judged.due_g is not None:
            errors_g.append((judged.due_g - 5000.0 * (life - n + 1)) / (5000.0 * life))
    bias = 100 * statistics.fmean(errors) if errors else math.nan
    return Forecast(used, len(errors), guns, _rms(errors), bias, covered, _rms(errors_g))


@dataclass(frozen=True)
class Drifted:
    """What is told of a gun that wears steadily from its first check on."""

    truth_pct: float
    told_pct: float
    covered: float
    """Part of the guns whose 95 % interval holds the truth."""
    half_pct: float
    """Mean half width of that interval."""
    named: float
    """Part of the guns of which a drift is told."""


def drifts(
    rng: Rng,
    guns: int,
    pct_per_check: float,
    sd: float,
    n: int,
    *,
    begins: int = 0,
    busy: bool = False,
) -> Drifted:
    """The change told at check `n` of guns that wear by so much a check from check `begins` on."""
    told, half, covered, named = [], [], 0, 0
    truth = pct_per_check * max(0, n - 1 - begins)
    for _ in range(guns):
        judged = judge_wear(
            history(rng, lambda i: pct_per_check / 100 * max(0, i - begins), n, sd, busy=busy)
        )
        change, low, high = judged.change_pct, judged.change_low_pct, judged.change_high_pct
        if change is None or low is None or high is None:
            raise ValueError(f"{n} checks are too few to tell of wear")
        told.append(change)
        half.append((high - low) / 2)
        covered += low <= truth <= high
        named += judged.pattern == "drift"
    return Drifted(truth, statistics.fmean(told), covered / guns, statistics.fmean(half), named / guns)


def false_alarms(rng: Rng, guns: int, sd: float, n: int = 60) -> float:
    """Alarms that begin in 1000 checks of guns that do not change, from the fifth check to the `n`th."""
    false = 0
    for _ in range(guns):
        points = history(rng, lambda _: 0.0, n, sd)
        said = [judge_wear(points[:m]).pattern != "none" for m in range(5, n + 1)]
        false += sum(now and not before for before, now in zip([False, *said], said, strict=False))
    return 1000 * false / (guns * (n - 4))


def patterns(rng: Rng, guns: int, *, busy: bool = False) -> dict[str, Counter[str]]:
    """What is said of each kind of gun at its 120th check; `busy`: needle turned, fluids changed."""
    kinds: dict[str, tuple[Callable[[int], float], str]] = {
        "steady": (lambda _: 0.0, "none"),
        "wears 0.05 % per check": (lambda i: 0.0005 * i, "drift"),
        "wears, slower and slower": (lambda i: 0.0011 * i**0.8, "drift"),
        "wears, faster and faster": (lambda i: 0.00018 * i**1.2, "drift"),
        "wears from check 60 on": (lambda i: 0.0008 * max(0, i - 60), "drift"),
        "tip chipped at check 100, +4 %": (lambda i: 0.04 * (i >= 100), "step"),
        "wears, chipped at check 100": (lambda i: 0.0004 * i + 0.04 * (i >= 100), "step"),
        "plugs at check 100, -4 %": (lambda i: -0.04 * (i >= 100), "plugging"),
        "plugs slowly from check 60 on": (lambda i: -0.0008 * max(0, i - 60), "plugging"),
        "wears, plugs at check 100, -4 %": (lambda i: 0.0004 * i - 0.04 * (i >= 100), "plugging"),
        "plugged from 60 to 70, then clean": (lambda i: -0.04 * (60 <= i < 70), "none"),
    }
    said: dict[str, Counter[str]] = {}
    for name, (wear, truth) in kinds.items():
        count: Counter[str] = Counter(
            judge_wear(history(rng, wear, 120, busy=busy)).pattern for _ in range(guns)
        )
        said[f"{name} -> {truth}"] = count
    return said


# --- advice -------------------------------------------------------------------------------------------


def annulus(lift_mm: float, seat_mm: float = 1.4, cone_rad: float = math.radians(20)) -> float:
    """Open area of a conical needle in a round sharp-edged seat, mm2; full bore at most."""
    full = seat_mm * (1 - math.sqrt(1 - math.cos(cone_rad / 2))) / math.sin(cone_rad)
    h = min(max(lift_mm, 1e-6), full)
    return math.pi * h * math.sin(cone_rad / 2) * (seat_mm - h / 2 * math.sin(cone_rad))


@dataclass(frozen=True)
class Adjusted:
    """Parts of the guns within tolerance after one and two adjustments, and checks they needed."""

    tolerance_pct: float
    after_one: float
    after_two: float
    retests: float
    inside_interval: float


def one_of_its_cell(rng: Rng, log_r: float) -> Response:
    """What another gun of the cell showed when it was turned by about a quarter turn and back."""
    mine = math.exp(log_r + 0.2 * rng.standard_normal()) / 100
    points = []
    for turn, setting in enumerate((4.0, 4.25, 4.05)):
        flow = 100 * (1 + mine * (setting + 0.01 * rng.standard_normal() - 4.0))
        points.append(
            NeedlePoint(START_S + 3600 * turn, setting, flow * (1 + 0.003 * rng.standard_normal()), 0.3)
        )
    return learn_response(points, Needle(), 4.05)


def ceiling(tolerance_pct: float, log_sd: float, off_pct: float = 8.0) -> float:
    """The most that any single turn can do: its best chance with the response known to `log_sd` alone.

    Turned by x, the flow moves by r x; r x must be between off - tolerance and off + tolerance.
    """
    half = math.log((off_pct + tolerance_pct) / (off_pct - tolerance_pct)) / 2
    return math.erf(half / log_sd / math.sqrt(2))


def adjustments(rng: Rng, guns: int, tolerance_pct: float, off_pct: float = 8.0, others: int = 0) -> Adjusted:
    """Guns `off_pct` off target with an unknown response, adjusted as advised until within tolerance.

    With `others`, so many guns of the cell were adjusted before; their responses differ from this one's by
    0.2 (standard deviation of the logarithm) about one of their cell.

    True responses are log-normal with the prior's mean and standard uncertainty (25 +- 12.5 % per turn: the
    middle 95 % run from 9 to 57), at lifts from nearly shut to wide open; the hand sets to 0.01 turn; checks
    scatter by 0.3 %. Whether a gun is in tolerance is asked of its true flow.
    """
    needle = Needle()
    log_sd = math.sqrt(math.log1p((needle.u_response_pct_per_unit / needle.response_pct_per_unit) ** 2))
    log_median = math.log(needle.response_pct_per_unit) - log_sd**2 / 2
    one = two = inside = told = retests = 0
    low, high = 0.0, math.inf
    for _ in range(guns):
        apart = 0.2 if others else 0.0
        of_cell = log_median + math.sqrt(log_sd**2 - apart**2) * rng.standard_normal()
        taught = [one_of_its_cell(rng, of_cell) for _ in range(others)]
        response = math.exp(of_cell + apart * rng.standard_normal()) / 100
        target, side = rng.uniform(40, 300), rng.choice([-1, 1])
        start = round(rng.uniform(2, 6) / 0.05) * 0.05
        lift = rng.uniform(0.15, 1.2)
        slope = (annulus(lift + 1e-5) - annulus(lift - 1e-5)) / 2e-5 / annulus(lift)
        scale = target * (1 + side * off_pct / 100) / annulus(lift)
        setting, checks = start, list[NeedlePoint]()
        for turn in range(4):
            by_hand = 0.01 * rng.standard_normal() if turn else 0.0
            true = scale * annulus(lift + response / slope * (setting + by_hand - start))
            good = abs(true / target - 1) * 100 <= tolerance_pct
            one, two = one + (turn == 1 and good), two + (turn <= 2 and turn > 0 and good)
            if turn:
                told, inside = told + 1, inside + (low <= true <= high)
            if good or turn == 3:
                retests += turn
                break
            seen = true * (1 + 0.003 * rng.standard_normal())
            checks.append(NeedlePoint(START_S + 3600 * turn, setting, seen, 0.003 * seen))
            advised = advise(
                seen, 0.003 * seen, target, tolerance_pct, setting,
                response=learn_response(checks, needle, setting, taught), needle=needle,
            )  # fmt: skip
            low, high = advised.expected_low or 0.0, advised.expected_high or math.inf
            setting = setting if advised.advised is None else advised.advised
    return Adjusted(tolerance_pct, one / guns, two / guns, retests / guns, inside / told)


# --- causes -------------------------------------------------------------------------------------------


def cell(rng: Rng) -> CellEvidence:
    """A healthy cell of two guns as the agent may see it; some of it is not known."""
    guns = tuple(
        GunEvidence(
            name, float(rng.normal(0, 1.0)), 0.3, 6, {}, 0.4 * rng.uniform(0.5, 1.6), 0.4, "none",
            float(rng.normal(0, 0.8)), 0.0, part_changed=False, open_error_s=0.0, u_open_error_s=0.02,
        )
        for name in ("upper", "lower")
    )  # fmt: skip
    return CellEvidence(
        guns, None, 4.0, 0.5 * (1 + 0.005 * rng.normal()), 0.5, abs(0.002 * rng.normal()), 0.0,
        0.0, 0.001, 1.6, 21 + rng.normal(), 21.0,
    )  # fmt: skip


def broken(rng: Rng, cause: str) -> CellEvidence:
    """A cell with one fault, at a random severity, seen through what the agent may know of it."""
    evidence = cell(rng)
    size = float(rng.uniform(5, 12))
    first = evidence.guns[0]

    def gun(**changed: object) -> CellEvidence:
        return replace(evidence, guns=(replace(first, **changed), evidence.guns[1]))  # type: ignore[arg-type]

    def all_guns(by: float) -> CellEvidence:
        return replace(
            evidence, guns=tuple(replace(g, deviation_pct=(g.deviation_pct or 0) + by) for g in evidence.guns)
        )

    if cause == "supply-low":
        evidence = all_guns(-size)
    elif cause == "pressure-off":
        evidence = replace(evidence, pressure_bar=0.5 * (1 + rng.choice([-1, 1]) * 2 * size / 100))
    elif cause == "pressure-unsteady":
        share = int(rng.integers(1, 5))
        evidence = replace(evidence, pressure_sd_bar=0.5 * rng.uniform(0.02, 0.06))
        evidence = replace(
            evidence, guns=tuple(replace(g, flags={"unsteady_flow": share}) for g in evidence.guns)
        )
    elif cause == "fluid-changed":
        evidence = replace(all_guns(size), fluid_c=21 + rng.uniform(0, 8))
    elif cause == "tip-plugged":
        evidence = gun(deviation_pct=-size, wear_pattern=rng.choice(["plugging", "none"], p=[0.8, 0.2]))
    elif cause == "needle-closed":
        evidence = gun(deviation_pct=-size, needle_moved=-float(rng.integers(2, 9)))
    elif cause == "needle-open":
        evidence = gun(deviation_pct=size, needle_moved=float(rng.integers(2, 9)))
    elif cause == "nozzle-worn":
        evidence = gun(deviation_pct=size, wear_pattern="drift", wear_change_pct=size)
    elif cause == "tip-damaged":
        evidence = gun(deviation_pct=size, wear_pattern="step", wear_change_pct=size)
    elif cause == "part-new":
        evidence = gun(deviation_pct=size * rng.choice([-1, 1]), part_changed=True, wear_pattern=None)
    elif cause == "air-in-line":
        evidence = gun(
            deviation_pct=-float(rng.uniform(0, 4)),
            flags={"air_in_line": int(rng.integers(2, 6)), "unsteady_flow": int(rng.integers(0, 4))},
            repeatability_pct=0.4 * rng.uniform(1, 6),
        )
    elif cause == "needle-leaking":
        evidence = replace(evidence, idle_slope_g_per_s=float(rng.uniform(0.003, 0.05)))
    elif cause == "after-drip":
        evidence = gun(flags={"after_drip": int(rng.integers(3, 7))})
    elif cause == "slow-trigger":
        late = float(rng.uniform(0.1, 0.6))
        evidence = gun(
            deviation_pct=-100 * late / 20, open_error_s=-late, flags={"slow_start": int(rng.integers(2, 7))}
        )
    elif cause == "scale-trouble":
        evidence = gun(flags={"container_moved": int(rng.integers(2, 4)), "readings_missing": 1})
    elif cause == "needle-sticking":
        evidence = gun(repeatability_pct=0.4 * rng.uniform(2, 7), deviation_pct=float(rng.normal(0, 2.5)))
    return seen(rng, evidence)


def seen(rng: Rng, evidence: CellEvidence) -> CellEvidence:
    """What the agent knows of it: verdicts and spread follow, and one cell in four has no pressure gauge."""
    guns = tuple(
        replace(gun, verdict="pass" if abs(gun.deviation_pct or 0) < 4.7 else "fail") for gun in evidence.guns
    )
    flows = [1 + (gun.deviation_pct or 0) / 100 for gun in guns]
    evidence = replace(
        evidence, guns=guns, spread_pct=100 * (max(flows) - min(flows)) / statistics.fmean(flows)
    )
    if rng.random() < 0.25:
        evidence = replace(evidence, fluid_c=None)
    return evidence


CAUSES = (
    "supply-low", "pressure-off", "pressure-unsteady", "fluid-changed", "tip-plugged", "needle-closed",
    "needle-open", "nozzle-worn", "tip-damaged", "part-new", "air-in-line", "needle-leaking", "after-drip",
    "slow-trigger", "scale-trouble", "needle-sticking", "flow-right",
)  # fmt: skip


def causes(rng: Rng, cases: int) -> dict[str, tuple[int, int, Counter[str]]]:
    """(named first, among the first three, what was named first instead), of `cases` for each cause."""
    result = {}
    for cause in CAUSES:
        first = three = 0
        instead: Counter[str] = Counter()
        for _ in range(cases):
            named = [ranked.code for ranked in rank_causes(broken(rng, cause))]
            first += named[:1] == [cause]
            three += cause in named[:3]
            if named[:1] != [cause]:
                instead[named[0] if named else "nothing"] += 1
        result[cause] = (first, three, instead)
    return result


# --- tables -------------------------------------------------------------------------------------------


def _rms(errors: list[float]) -> float:
    return 100 * math.sqrt(statistics.fmean(error**2 for error in errors)) if errors else math.nan


def print_wear(rng: Rng, part: float) -> None:
    """The tables of wear."""
    print("A step of 2 %: found after how many checks")
    print("  sd %  found  CUSUM theory  missed  false alarms per 1000")
    for sd in (0.002, 0.003, 0.005, 0.010):
        d = delays(rng, int(200 * part), sd)
        print(f"  {d.sd_pct:4.1f}  {d.found:5.2f}  {d.theory:12.2f}  {d.missed:6d}  {d.false_per_1000:8.2f}")
    print("\nForecast of the limit (10 %), life 200 checks; errors in percent of life")
    print("  cell   wear      used    given    rms   bias  covered  rms by grams")
    for busy, power in ((False, 1.0), (True, 1.0), (False, 0.8), (False, 1.2)):
        for used in (0.5, 0.8):
            f = forecasts(rng, int(200 * part), used, busy=busy, power=power)
            cell_is, covered = "busy" if busy else "quiet", 100 * f.covered / max(f.given, 1)
            given = f"{f.given:3d}/{f.guns:<3d}"
            print(
                f"  {cell_is:6s} t^{power:<6g} {100 * used:5.0f}%  {given}  {f.rms_error_pct:5.1f}"
                f"  {f.bias_pct:+5.1f}  {covered:6.1f}%  {f.rms_error_g_pct:12.1f}"
            )
    print_drifts(rng, part)
    for busy, where in ((False, "quiet cell"), (True, "busy cell")):
        print(f"\nWhat is said at check 120 in a {where} (truth after the arrow)")
        for name, count in patterns(rng, int(200 * part), busy=busy).items():
            print(f"  {name:48s} {dict(count)}")


RATES_PCT = (0.05, 0.1, 0.14, 0.2, 0.35, 0.7)


def print_drifts(rng: Rng, part: float) -> None:
    """The tables of steady wear from the first check on."""
    guns = int(200 * part)
    print("\nSteady wear: told change, and how often its 95 % interval holds the truth")
    print("  sd %  % a check  from  cell   checks  truth %  told %  +-     covered  said to drift")
    cases = [(rate, 0, n, False) for rate in RATES_PCT for n in (20, 60)]
    cases += [(0.1, begins, 60, False) for begins in (5, 10, 20, 30)]
    cases += [(0.35, begins, 40, False) for begins in (5, 10, 20)]
    cases += [(rate, 0, n, True) for rate, n in ((0.05, 120), (0.1, 60), (0.2, 60))]
    for sd in (0.003, 0.005, 0.010):
        for rate, begins, n, busy in cases:
            d = drifts(rng, guns, rate, sd, n, begins=begins, busy=busy)
            print(
                f"  {100 * sd:4.1f}  {rate:9.2f}  {begins:4d}  {'busy' if busy else 'quiet':5s}  {n:6d}"
                f"  {d.truth_pct:7.2f}  {d.told_pct:6.2f}  {d.half_pct:5.2f}  {100 * d.covered:6.1f}%"
                f"  {100 * d.named:6.1f}%"
            )
    print("\nForecast of the limit (10 %) of steady wear; errors in percent of life")
    print("  sd %  % a check  used  given    rms   bias  covered  rms by grams")
    for sd in (0.003, 0.005, 0.010):
        for rate in RATES_PCT:
            for used in (0.5, 0.8):
                f = forecasts(rng, guns, used, busy=False, life=round(10 / rate), sd=sd)
                covered = 100 * f.covered / max(f.given, 1)
                print(
                    f"  {100 * sd:4.1f}  {rate:9.2f}  {100 * used:3.0f}%  {f.given:3d}/{f.guns:<3d}"
                    f"  {f.rms_error_pct:5.1f}  {f.bias_pct:+5.1f}  {covered:6.1f}%  {f.rms_error_g_pct:8.1f}"
                )
    print("\nNo change: alarms that begin in 1000 checks, with the limit meant for one")
    for sd in (0.003, 0.005, 0.010):
        print(f"  sd {100 * sd:.1f} %  {false_alarms(rng, guns, sd):5.2f}")


def print_advice(rng: Rng, part: float) -> None:
    """The table of needle advice."""
    print("\nNeedle advice from 8 % off, response unknown (25 +- 12.5 % per turn, log-normal)")
    print("  guns adjusted before  tolerance  after one  (ceiling)  after two  retests  in its 95 % interval")
    log_sd = math.sqrt(math.log1p(0.25))
    for others in (0, 1, 3):
        for tolerance in (5.0, 4.0, 3.0, 2.0):
            a = adjustments(rng, int(2000 * part), tolerance, others=others)
            one, two, inside = (100 * share for share in (a.after_one, a.after_two, a.inside_interval))
            most = "" if others else f"{100 * ceiling(tolerance, log_sd):.1f}%"
            print(
                f"  {others:20d}  {tolerance:7.0f} %  {one:8.1f}%  {most:>9s}  {two:8.1f}%  {a.retests:7.2f}"
                f"  {inside:21.1f}%"
            )


def print_causes(rng: Rng, part: float) -> None:
    """The table of causes."""
    cases = int(200 * part)
    print(f"\nCauses, of {cases} cases each: named first, among the first three, and what came first instead")
    total = 0
    for cause, (first, three, instead) in causes(rng, cases).items():
        total += first
        print(f"  {cause:18s} {first:4d} {three:4d}  {dict(instead.most_common(3))}")
    print(f"  named first: {total} of {cases * len(CAUSES)} ({100 * total / cases / len(CAUSES):.1f} %)")


def main() -> int:
    """Print every table."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--small", action="store_true", help="a tenth of the cases")
    part = 0.1 if words.parse_args().small else 1.0
    rng = np.random.default_rng(20260301)
    began = time.perf_counter()
    print_wear(rng, part)
    print_advice(rng, part)
    print_causes(rng, part)
    print(f"\n{time.perf_counter() - began:.0f} s")
    return 0


if __name__ == "__main__":
    sys.exit(main())
