"""The needle setting that brings a gun to its target. Advice only: nothing is sent to the controller.

The response is known as a distribution, so every turn that a hand can make is weighed by what it would
probably lead to: the loss is the squared deviation in tolerances, and little more than one once the
tolerance is missed. The turn with the smallest expected loss is advised: with a response that is hardly
known, a careful one that probably lands inside; with a well known one, the middle of the tolerance.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from agent.assessment.advice_response import (
    BACKLASH_STEPS,
    BEND_REL,
    PLAINLY,
    NeedlePoint,
    Response,
    learn_response,
)
from agent.assessment.wording import counted, with_u
from agent.contract.plan import Needle

__all__ = ["Advised", "NeedlePoint", "Response", "advise", "learn_response"]

Floats = NDArray[np.float64]

LEAVE_ALONE = 0.4
"""Inside this part of the tolerance a gun is left alone: turning at noise only adds to it (tampering)."""
FAR_OFF = 0.01
"""Weight of the squared deviation beyond the tolerance: where one step cannot reach it, nearer is better."""
NO_FLOW = (
    "nothing flows: do not turn the needle, look whether the gun opens, whether its tip or hose is plugged, "
    "and whether the pot has pressure and fluid"
)
MOST_TURNS = 400
"""So many turns are weighed at most; a very fine knob is tried in coarser steps."""


@dataclass(frozen=True, slots=True)
class Advised:
    """What to set, and what to expect of it. Flows in g/min at the setup's pot pressure."""

    setting: float | None
    advised: float | None
    """None where the present setting is unknown or no turn can be advised."""
    change: float | None
    """By how much to turn; positive opens. 0 means leave it; None means no turn can be advised."""
    unit: str
    expected: float | None
    expected_low: float | None
    expected_high: float | None
    """95 % interval of the flow after the turn."""
    in_tolerance_probability: float | None
    """That the flow is within tolerance after the turn."""
    response: float
    """g/min for one unit."""
    u_response: float
    why: str
    """What is advised, or why nothing is, and how well the knob's effect is known."""
    first: str = ""
    """What to do before the needle is turned."""
    remark: str = ""
    """What to bear in mind where it is turned."""

    @property
    def reason(self) -> str:
        """All of it, for who reads no more than that."""
        told = [self.why, f"but first {self.first}" if self.first else "", self.remark]
        return "; ".join(part for part in told if part)


def advise(
    flow: float,
    u: float,
    target: float,
    tolerance_pct: float,
    setting: float | None,
    *,
    response: Response,
    needle: Needle,
    instead: str | None = None,
    first: str = "",
    remark: str = "",
) -> Advised:
    """Advises a turn that brings `flow` +- `u` to `target` +- `tolerance_pct`.

    `response` must be about `setting` (`learn_response(..., about=setting)`). `instead` is a reason to mend
    something else first (a plugged tip, low pressure): then no turn is advised, and it is the reason given.
    `first` and `remark` are told with a turn: what to do before it, and what to bear in mind.
    Where nothing flows (noise may put it a little below zero) no turn is advised. Raises ValueError for a
    flow that is no number, and for a target that is not above zero.
    """
    if not (math.isfinite(flow) and math.isfinite(target) and target > 0):
        raise ValueError(f"flow must be a number and target above zero, got {flow!r} and {target!r}")
    case = _Case(max(flow, 0.0), u, target, tolerance_pct, setting, response, needle)
    if instead is None and flow <= PLAINLY * u:
        instead = NO_FLOW
    if instead is not None:
        return case.nothing(instead)
    if abs(case.off_pct) <= max(LEAVE_ALONE * tolerance_pct, 200 * u / target):
        return case.turned(
            0.0, f"leave it: {case.off_pct:+.1f} % is near enough (tolerance {tolerance_pct:g} %)"
        )
    if case.at_end():
        return case.nothing(
            f"{case.off_pct:+.1f} % off, but the needle is at the end of its travel "
            f"({setting:g} {needle.unit}): look at the tip and the pressure"
        )
    change = case.best()
    if change == 0:
        return case.turned(
            0.0,
            f"leave it: {case.off_pct:+.1f} % off, and the smallest step "
            f"({needle.smallest_step:g} {needle.unit}) would not bring it nearer",
        )
    remarks = "; ".join(part for part in (case.limited(change), remark) if part)
    return replace(case.turned(change, case.why(change)), first=first, remark=remarks)


@dataclass(frozen=True, slots=True)
class _Case:
    flow: float
    u: float
    target: float
    tolerance_pct: float
    setting: float | None
    response: Response
    needle: Needle

    @property
    def off_pct(self) -> float:
        return 100 * (self.flow / self.target - 1)

    def at_end(self) -> bool:
        """No smallest step fits between the setting and the end of travel on the side that is needed."""
        if self.setting is None:
            return False
        room = self.needle.highest - self.setting if self.off_pct < 0 else self.setting - self.needle.lowest
        return room < 0.5 * self.needle.smallest_step

    def best(self) -> float:
        """The allowed change with the smallest expected loss; the smaller turn where two are as good."""
        changes = self._allowed()
        losses = [round(self._loss(change), 9) for change in changes]
        return min(zip(losses, (abs(change) for change in changes), changes, strict=True))[2]

    def _allowed(self) -> list[float]:
        """No change, and those towards the target that a hand can set within step and travel."""
        step = self.needle.smallest_step
        step *= max(1, math.ceil(self.needle.largest_step / step / MOST_TURNS))
        sign = 1.0 if self.off_pct < 0 else -1.0
        turns = [0.0]
        for number in range(1, math.floor(self.needle.largest_step / step + 1e-9) + 1):
            change = sign * number * step
            if self.setting is not None:
                # A hand sets marks of the knob: the new setting is a whole number of steps.
                change = round((self.setting + change) / step) * step - self.setting
                if not self.needle.lowest - 1e-9 <= self.setting + change <= self.needle.highest + 1e-9:
                    break
            if abs(change) <= self.needle.largest_step + 1e-9:
                turns.append(round(change, 9))
        return turns

    def _after(self, change: float) -> tuple[Floats, Floats]:
        """Expected flow after a change, and its standard uncertainty, for every response of the grid."""
        moved = self.response.pct_per_unit / 100 * self.flow
        by_hand = BACKLASH_STEPS * self.needle.smallest_step if change else 0.0
        bend = BEND_REL * moved * abs(change) * abs(change) / 2
        u = np.sqrt(self.u**2 + (moved * by_hand) ** 2 + bend**2)
        return np.asarray(self.flow + moved * change), np.asarray(u)

    def _loss(self, change: float) -> float:
        nodes, weights = np.polynomial.hermite_e.hermegauss(5)
        after, u = self._after(change)
        flows = after[:, None] + u[:, None] * nodes[None, :]
        deviation = 100 * (flows / self.target - 1) / self.tolerance_pct
        loss = (np.minimum(1.0, deviation**2) + FAR_OFF * deviation**2) @ (weights / weights.sum())
        return float(self.response.weight @ loss)

    def _chance(self, change: float) -> float:
        from scipy.special import ndtr

        after, u = self._after(change)
        u = np.maximum(u, 1e-12)
        half = self.target * self.tolerance_pct / 100
        inside = ndtr((self.target + half - after) / u) - ndtr((self.target - half - after) / u)
        return float(self.response.weight @ inside)

    def turned(self, change: float, why: str) -> Advised:
        """The advice of one change, with what to expect."""
        after, u = self._after(change)
        mean = float(self.response.weight @ after)
        sd = math.sqrt(float(self.response.weight @ ((after - mean) ** 2 + u**2)))
        advised = None if self.setting is None else round(self.setting + change, 9)
        return Advised(
            self.setting,
            advised,
            change,
            self.needle.unit,
            mean,
            mean - 1.96 * sd,
            mean + 1.96 * sd,
            self._chance(change),
            self.response.mean / 100 * self.flow,
            self.response.u / 100 * self.flow,
            why,
        )

    def nothing(self, why: str) -> Advised:
        """No turn, and why."""
        return Advised(
            self.setting,
            None,
            None,
            self.needle.unit,
            None,
            None,
            None,
            None,
            self.response.mean / 100 * self.flow,
            self.response.u / 100 * self.flow,
            why,
        )

    def why(self, change: float) -> str:
        """The advice in a sentence."""
        way = "open" if change > 0 else "close"
        learned = (
            f"learned from {counted(self.response.observations, 'adjustment')}"
            if self.response.observations
            else "as the cell's other guns answer: check again after turning"
            if self.response.borrowed
            else "as configured, nothing learned yet: check again after turning"
        )
        return (
            f"{self.off_pct:+.1f} % off: {way} by {abs(change):g} {self.needle.unit} "
            f"(response {with_u(self.response.mean, self.response.u)} % per {self.needle.unit}, "
            f"{learned})"
        )

    def limited(self, change: float) -> str:
        """That one turn is not enough; empty where it is."""
        if abs(change) < self.needle.largest_step - 1e-9 or self._chance(change) >= 0.5:
            return ""
        return "more is needed, but this is the largest step: check, then go on"
