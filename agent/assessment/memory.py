"""What is remembered of a gun: its settings, its parts, its checks. Bounded, and rebuilt from the journal."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, field

from agent.assessment.advice import NeedlePoint
from agent.assessment.checks import is_shot_of
from agent.assessment.intervals import Contribution
from agent.assessment.pressure import Exponent, PressurePoint, learn_exponent
from agent.assessment.repeatability import Repeatability, ShotsJudged, learn
from agent.assessment.shots import ShotValue
from agent.assessment.wear import WearPoint, bounded
from agent.contract.plan import Gun, Setup
from agent.contract.records import Check, Dispense
from agent.contract.times import epoch_s

MOST_SETUPS = 32
WEAR_POINTS = 2000
NEEDLE_POINTS = 60
PRESSURE_POINTS = 200


@dataclass(frozen=True, slots=True)
class NeedleTurn:
    """The knob was moved, at `at_s` (epoch seconds), to a setting that may not have been told."""

    at_s: float
    setting: float | None


@dataclass(slots=True)
class GunMemory:
    """What is known of one gun."""

    gun: Gun
    turns: deque[NeedleTurn] = field(default_factory=lambda: deque(maxlen=64))
    parts: deque[tuple[float, str]] = field(default_factory=lambda: deque(maxlen=16))
    last: dict[str, Check] = field(default_factory=dict)
    """The latest complete check of each setup."""
    incomplete: dict[str, Check] = field(default_factory=dict)
    """The latest check of each setup that was begun and has too few shots, until a complete one comes."""
    passed: dict[str, Check] = field(default_factory=dict)
    """The latest check of each setup that passed."""
    grams: float = 0.0
    """Sprayed since the parts were changed, as far as it was seen. Every check carries it over a restart,
    when not every dispense is told again."""
    repeatability: Repeatability = field(default_factory=lambda: Repeatability(0.005))
    wear_points: list[WearPoint] = field(default_factory=list)
    needle_points: deque[NeedlePoint] = field(default_factory=lambda: deque(maxlen=NEEDLE_POINTS))
    pressure_points: deque[PressurePoint] = field(default_factory=lambda: deque(maxlen=PRESSURE_POINTS))
    _opened_s: float | None = None
    _unknown_turns: int = 0

    def __post_init__(self) -> None:
        self.repeatability = Repeatability(self.gun.repeatability_pct / 100)

    # --- what happened ---------------------------------------------------------------------------------

    def turned(self, at_s: float, setting: float | None) -> None:
        """The needle was set."""
        self.turns.append(NeedleTurn(at_s, setting))
        self._unknown_turns += setting is None

    def changed(self, at_s: float, part: str) -> None:
        """A wearing part was replaced: wear starts anew."""
        self.parts.append((at_s, part))
        self.wear_points.clear()
        self.grams = 0.0

    def opened(self, at_s: float) -> None:
        """The gun opened for a part, not for a scale."""
        self._opened_s = at_s

    def closed(self, at_s: float) -> None:
        """The gun closed: what it sprayed is taken from its last flow."""
        opened_s, self._opened_s = self._opened_s, None
        flow = self.flow()
        if opened_s is not None and flow is not None and 0 < at_s - opened_s < 3600.0:
            self.grams += flow * (at_s - opened_s) / 60.0

    def weighed(self, dispense: Dispense) -> None:
        """A dispense was weighed: it wore the nozzle as well."""
        self.grams += max(dispense.mass_g or 0.0, 0.0)

    def checked(self, check: Check, setup: Setup) -> None:
        """Take a check into the history. One that is incomplete is no evidence of the gun's flow; one from
        paper tells what is slow (wear, needle) and nothing of today.
        """
        if check.source == "imported":
            self.repeatability = learn(self.repeatability, _judged(check))
            self._remember_flow(check, setup)
            return
        if check.sprayed_g is not None and self.parts_since(epoch_s(check.started_at)) == self.parts_since():
            self.grams = max(self.grams, check.sprayed_g)
        if not is_complete(check, setup):
            _keep(self.incomplete, check)
            return
        self.incomplete.pop(check.setup, None)
        before = self.last.get(check.setup)
        if before is None or epoch_s(before.ended_at) <= epoch_s(check.ended_at):
            _keep(self.last, check)
            if check.verdict == "pass":
                _keep(self.passed, check)
        # Disagreeing shots teach the repeatability too: without them it would be learned too small.
        self.repeatability = learn(self.repeatability, _judged(check))
        if check.conformance_probability is not None:
            self._remember_flow(check, setup)

    def _remember_flow(self, check: Check, setup: Setup) -> None:
        flow, mean = check.at_setpoint_g_per_min, check.mean_g_per_min
        if flow is None or check.u_at_setpoint_g_per_min is None or mean is None:
            return
        # Checks are compared with each other here: what they share on their scale is in none of the changes.
        u = alone_of(check).u
        at_s = epoch_s(check.started_at)
        # A turn nobody told the setting of makes a new condition that must not be compared with the old.
        fluid = check.fluid if not self._unknown_turns else f"{check.fluid} #{self._unknown_turns}"
        parts = self.parts_since(at_s)
        pressure = setup.pot_pressure_bar
        if self.parts_since() == parts:
            point = WearPoint(at_s, flow, u, check.needle_setting, pressure, fluid, check.sprayed_g)
            self.wear_points.append(point)
            if len(self.wear_points) > WEAR_POINTS:
                self.wear_points[:] = bounded(self.wear_points)[-WEAR_POINTS:]
        if check.needle_setting is not None:
            like = (fluid, pressure, parts)
            self.needle_points.append(NeedlePoint(at_s, check.needle_setting, flow, u, like))
        if check.pot_pressure_bar is not None:
            self.pressure_points.append(
                PressurePoint(
                    at_s,
                    mean,
                    u * abs(mean / flow) if flow else u,
                    check.pot_pressure_bar,
                    (check.needle_setting, fluid, parts),
                )
            )

    # --- what is known ---------------------------------------------------------------------------------

    def setting(self, at_s: float | None = None) -> float | None:
        """The needle's setting now, or as it was at a time; None where it was never told."""
        known = [turn.setting for turn in self.turns if at_s is None or turn.at_s <= at_s]
        return known[-1] if known else None

    def parts_since(self, at_s: float | None = None) -> float | None:
        """When the parts in use now, or at a time, were put in; None where that was never told."""
        known = [changed_s for changed_s, _ in self.parts if at_s is None or changed_s <= at_s]
        return known[-1] if known else None

    def flow(self) -> float | None:
        """The flow of the latest complete check of any setup, g/min."""
        latest = max(self.last.values(), key=lambda check: epoch_s(check.ended_at), default=None)
        return None if latest is None else latest.mean_g_per_min

    def turned_since(self, check: Check, by_s: float = math.inf) -> NeedleTurn | None:
        """The turn before `by_s` that made a check void: the latest, if it left another setting."""
        turn = next((turn for turn in reversed(self.turns) if turn.at_s < by_s), None)
        if turn is None or turn.at_s <= epoch_s(check.started_at):
            return None
        same = turn.setting is not None and turn.setting == check.needle_setting
        return None if same else turn

    def part_changed_since(self, check: Check, by_s: float = math.inf) -> tuple[float, str] | None:
        """The change of a part before `by_s` that made a check void, (when, which)."""
        change = next((change for change in reversed(self.parts) if change[0] < by_s), None)
        return change if change is not None and change[0] > epoch_s(check.started_at) else None

    def exponent(self) -> Exponent:
        """The exponent of flow and pressure, learned where pressures varied enough."""
        return learn_exponent(self.pressure_points, self.gun.pressure_exponent, self.gun.u_pressure_exponent)


def is_complete(check: Check, setup: Setup) -> bool:
    """Whether a check has all the shots of its setup: fewer tell too little to replace an earlier check."""
    return check.mean_g_per_min is not None and len(check.shots) >= setup.shots


def is_conclusive(check: Check) -> bool:
    """Whether a check has a result: passed or failed."""
    return check.verdict != "inconclusive"


def is_result(check: Check) -> bool:
    """Whether a check says something of the gun: passed, failed, or too near the limit to say which."""
    return is_conclusive(check) or check.conformance_probability is not None


def expected_setup(dispense: Dispense, candidates: Iterable[Setup]) -> Setup | None:
    """The setup that a dispense without one was meant for: the first candidate whose shot is as long.

    Where none is, the first candidate: its check then says why the dispense was left out.
    """
    setups = list(candidates)
    fits = (setup for setup in setups if dispense.open_s is not None and is_shot_of(setup, dispense.open_s))
    return next(fits, setups[0] if setups else None)


def alone_of(check: Check) -> Contribution:
    """A check's uncertainty without what all shots on its scale share; the whole where that is not known."""
    if check.u_alone_g_per_min is not None:
        return Contribution(check.u_alone_g_per_min, check.dof_alone)
    return Contribution(check.u_at_setpoint_g_per_min or 0.0, check.dof)


def _keep(checks: dict[str, Check], check: Check) -> None:
    checks.pop(check.setup, None)
    checks[check.setup] = check
    while len(checks) > MOST_SETUPS:
        del checks[next(iter(checks))]


def _judged(check: Check) -> ShotsJudged:
    used = tuple(ShotValue(shot.id, epoch_s(shot.started_at), shot.flow_g_per_min) for shot in check.shots)
    return ShotsJudged(
        used=used,
        left_out=(),
        mean=check.mean_g_per_min,
        sd=check.sd_g_per_min,
        u=check.u_g_per_min,
        dof=check.dof,
        alone=None,
        low=check.low_g_per_min,
        high=check.high_g_per_min,
        wants_more=False,
        too_wide=False,
        reason=check.reason,
    )
