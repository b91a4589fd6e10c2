"""What the whole agent says of a cell with real physics: its faults, its wear, over many checks, as tables.

Run: .venv/bin/python tests/benchmarks/pipeline_study.py [--small]

Pot, hose, needle, nozzle, valve, container and scale are those of the simulators; the agent gets their curves
and events and nothing else. A fault is made where it would be in the shop (a tip blocked, a knob turned, a
regulator set low), so that what is named first is held against what was really done, and not against the
rules that name it. Checks follow each other every quarter of an hour: the calendar would cost time and tell
nothing here.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from simulators.bench import SprayCell

Rng = np.random.Generator
BETWEEN_S = 900.0
LIMIT_PCT = 10.0


def pause(bench: SprayCell, seconds: float = BETWEEN_S) -> None:
    """Nobody there: time passes in long steps."""
    end_s = bench.now_s + seconds
    while bench.now_s < end_s:
        bench._step(min(300.0, end_s - bench.now_s))


def check_all(bench: SprayCell) -> None:
    """A check of every gun, and the pause after it, in which the container is emptied before it is full."""
    for gun in bench.cell.guns:
        bench.run_check(gun)
    pause(bench, BETWEEN_S / 2)
    for station in bench.cell.stations.values():
        station.container.content_g = 25.0
    pause(bench, BETWEEN_S / 2)


def healthy(seed: int, rounds: int = 5) -> SprayCell:
    """A cell whose needle settings were told, and whose guns passed some checks."""
    bench = SprayCell(seed=seed)
    bench.controller.load_setup(bench.site.setups[0].name)
    for gun in bench.cell.guns:
        bench.technician.set_needle(gun, bench.gun(gun).setting)
    for _ in range(rounds):
        check_all(bench)
    return bench


# --- causes -------------------------------------------------------------------------------------------


def _turned(bench: SprayCell, percent: float, *, told: bool) -> None:
    bench.cell.set_off_target("lower", percent)
    if told:
        bench.technician.set_needle("lower", bench.gun("lower").setting)


def _everywhere(bench: SprayCell, **members: float) -> None:
    for gun in bench.cell.guns:
        for member, value in members.items():
            setattr(bench.gun(gun), member, value)


def _knocked(bench: SprayCell, rng: Rng) -> None:
    def knock(truth: Any) -> None:
        if truth.purpose == "shot" and rng.random() < 0.7:
            bench.cell.after(rng.uniform(4, 15), lambda: bench.cell.knock_over("floor"))
            bench.cell.after(17.0, lambda: bench.cell.put_back("floor"))

    bench.cell.on_gun_opened.append(knock)


def _new_nozzle(bench: SprayCell, rng: Rng) -> None:
    bench.technician.change_part("lower", "nozzle")
    bench.gun("lower").wear_pct = rng.uniform(7, 12)


def _hunts(bench: SprayCell, rng: Rng) -> None:
    bench.cell.pot.ripple_pct = rng.uniform(4, 10)
    bench.cell.pot.ripple_s = rng.uniform(6, 20)


def _set_pot(bench: SprayCell, percent: float) -> None:
    pot = bench.cell.pot
    pot.set(pot.set_bar * (1 + percent / 100), bench.now_s - bench.cell.start_s)


FAULTS: dict[str, tuple[Callable[[SprayCell, Rng], None], tuple[str, ...]]] = {
    "tip of one gun blocked by 6 to 15 %": (
        lambda b, r: setattr(b.gun("lower"), "plug_pct", r.uniform(6, 15)),
        ("tip-plugged",),
    ),
    "filter of the supply blocked by 7 to 15 %": (
        lambda b, r: _everywhere(b, plug_pct=r.uniform(7, 15)),
        ("supply-low",),
    ),
    "needle closed by 6 to 12 %, told": (
        lambda b, r: _turned(b, -r.uniform(6, 12), told=True),
        ("needle-closed",),
    ),
    "needle closed by 6 to 12 %, untold": (
        lambda b, r: _turned(b, -r.uniform(6, 12), told=False),
        ("needle-closed", "tip-plugged"),
    ),
    "needle opened by 6 to 12 %, told": (
        lambda b, r: _turned(b, r.uniform(6, 12), told=True),
        ("needle-open",),
    ),
    "tip chipped, +6 to +12 %": (
        lambda b, r: setattr(b.gun("lower"), "wear_pct", r.uniform(6, 12)),
        ("tip-damaged",),
    ),
    "new nozzle that gives 7 to 12 % more": (_new_nozzle, ("part-new",)),
    "pot set 12 to 18 % too low": (lambda b, r: _set_pot(b, -r.uniform(12, 18)), ("pressure-off",)),
    "pot set 12 to 18 % too high": (lambda b, r: _set_pot(b, r.uniform(12, 18)), ("pressure-off",)),
    "regulator that hunts by 4 to 10 %": (_hunts, ("pressure-unsteady",)),
    "air in the hose, 4 to 15 ml": (
        lambda b, r: b.cell.on_gun_opened.append(
            lambda truth: (
                setattr(b.gun("lower"), "air_ml", r.uniform(4, 15))
                if truth.gun == "lower" and truth.purpose == "shot" and r.random() < 0.8
                else None
            )
        ),
        ("air-in-line",),
    ),
    "needle seat that leaks 0.02 to 0.1 g/s": (
        lambda b, r: setattr(b.gun("lower"), "leak_g_per_s", r.uniform(0.02, 0.1)),
        ("needle-leaking",),
    ),
    "trigger 1.2 to 2 s late": (
        lambda b, r: setattr(b.gun("lower").valve, "opens_after_s", r.uniform(1.2, 2.0)),
        ("slow-trigger",),
    ),
    "container knocked about": (_knocked, ("scale-trouble",)),
    "nothing wrong": (lambda _, __: None, ("flow-right", "nothing said")),
}
"""What is done to a cell, and the cause that should come first (one of these, where they look alike)."""


@dataclass
class Named:
    """What came first for one fault."""

    cases: int = 0
    right: int = 0
    among_three: int = 0
    first: Counter[str] | None = None


def causes(cases: int, seed: int = 1) -> dict[str, Named]:
    """Every fault in so many cells, each with a severity of its own."""
    found = {fault: Named(first=Counter()) for fault in FAULTS}
    for case in range(cases):
        for number, (fault, (make, right)) in enumerate(FAULTS.items()):
            bench = healthy(1000 * seed + 20 * case + number)
            make(bench, np.random.default_rng([seed, case, number]))
            since = len(bench.records("cause"))
            # Two rounds: a technician looks at the second check before taking anything apart.
            check_all(bench)
            check_all(bench)
            told = bench.records("cause")[since:]
            ranked = [one["code"] for one in told[-1]["ranked"]] if told else []
            ranked = ranked or ["nothing said"]
            one = found[fault]
            one.cases += 1
            one.right += ranked[0] in right
            one.among_three += bool(set(ranked[:3]) & set(right))
            if one.first is not None:
                one.first[ranked[0]] += 1
    return found


# --- wear ---------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Drifted:
    """A gun that wears, and its neighbour that does not, through the whole agent."""

    checks: int
    found_at: int | None
    """Check at which a drift was said first."""
    error_pct: dict[int, float | None]
    """Error of the grams still to be sprayed, in percent of those of a whole life, by percent of life."""
    false_alarms: int
    """Of the gun that does not wear: alarms, and checks at which another pattern than none began."""


def drifts(checks: int = 160, pct_per_check: float = 0.05, seed: int = 5) -> Drifted:
    """The upper gun wears by so much from check to check; the limit of 10 % ends its life."""
    bench = SprayCell(seed=seed)
    bench.controller.load_setup(bench.site.setups[0].name)
    life = LIMIT_PCT / pct_per_check
    for number in range(checks):
        bench.gun("upper").wear_pct = pct_per_check * number
        check_all(bench)
    wears = bench.records("wear", gun="upper")
    patterns = [wear["pattern"] for wear in bench.records("wear", gun="lower")]
    each_g = sum(one["mass_g"] or 0.0 for one in bench.records("dispense", gun="upper")) / checks
    errors: dict[int, float | None] = {}
    for share in (50, 80):
        wear = next((one for one in wears if one["checks"] >= share / 100 * life), None)
        due_g = wear["due_g"] if wear else None
        left = life - wear["checks"] + 1 if wear else 0.0
        errors[share] = None if due_g is None else 100 * (due_g / each_g - left) / life
    found_at = next((wear["checks"] for wear in wears if wear["pattern"] == "drift"), None)
    began = sum(b != "none" and a == "none" for a, b in zip(["none", *patterns], patterns, strict=False))
    alarms = [a for a in bench.records("alert") if a["name"].endswith("-lower") and a["state"] == "UNACK"]
    return Drifted(checks, found_at, errors, began + len(alarms))


@dataclass(frozen=True)
class Stepped:
    """Steps of 2 % in some guns: checks until they were found, and what was said before."""

    found: list[int | None]
    checks_before: int
    false_before: int


def steps(cells: int, at: int = 25, further: int = 8, step_pct: float = 2.0, seed: int = 40) -> Stepped:
    """Both guns of every cell give so much more from one check on."""
    found: list[int | None] = []
    false = 0
    for cell in range(cells):
        bench = SprayCell(seed=seed + cell)
        bench.controller.load_setup(bench.site.setups[0].name)
        for number in range(at + further):
            _everywhere(bench, wear_pct=step_pct if number >= at else 0.0)
            check_all(bench)
        for gun in bench.cell.guns:
            patterns = [wear["pattern"] for wear in bench.records("wear", gun=gun)]
            false += sum(
                b != "none" and a == "none"
                for a, b in zip(["none", *patterns[:at]], patterns[:at], strict=False)
            )
            late = [number for number, name in enumerate(patterns[at:], start=1) if name != "none"]
            found.append(late[0] if late else None)
    return Stepped(found, 2 * cells * at, false)


def print_causes(cases: int) -> None:
    """The table of causes."""
    print(
        f"Causes of physical faults, {cases} cells each: named first, among the first three, what came first"
    )
    found = causes(cases)
    for fault, one in found.items():
        print(f"  {fault:44s} {one.right:3d} {one.among_three:3d}  {dict(one.first or {})}")
    total, right = sum(one.cases for one in found.values()), sum(one.right for one in found.values())
    print(f"  named first: {right} of {total} ({100 * right / total:.0f} %)")


def print_wear(part: float) -> None:
    """The tables of wear."""
    stepped = steps(max(1, round(4 * part)))
    print(f"\nA step of 2 %: found after {stepped.found} checks, {stepped.false_before} false in "
          f"{stepped.checks_before} checks before")  # fmt: skip
    drifted = drifts(160 if part == 1 else 110)
    print(f"Wear of 0.05 % per check: drift said at check {drifted.found_at}")
    for share, error in drifted.error_pct.items():
        told = "no forecast" if error is None else f"{error:+.1f} % of life"
        print(f"  forecast at {share} % of life: {told}")
    print(f"  the gun beside it: {drifted.false_alarms} false alarms in {drifted.checks} checks")


def main() -> int:
    """Print every table."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--small", action="store_true", help="a quarter of the cases")
    part = 0.25 if words.parse_args().small else 1.0
    began = time.perf_counter()
    print_causes(max(1, round(8 * part)))
    print_wear(part)
    print(f"\n{time.perf_counter() - began:.0f} s")
    return 0


if __name__ == "__main__":
    sys.exit(main())
