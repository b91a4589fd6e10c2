"""What the agent says: one frozen value per kind of record.

Every record has `record`, `id`, `cell`, `at` and `schema`; a number that could not be computed is None.
Times are RFC 3339 text in UTC. The id depends only on what happened, so that the same shot, however often
it is computed, is the same record.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from typing import ClassVar, Literal, TypeAlias

Quality: TypeAlias = Literal["good", "suspect", "rejected"]
Verdict: TypeAlias = Literal["pass", "fail", "inconclusive"]
Flag: TypeAlias = Literal[
    "after_drip",
    "air_in_line",
    "clock_from_arrival",
    "container_moved",
    "duration_disagrees",
    "no_plateau_after",
    "no_plateau_before",
    "pressure_off_setpoint",
    "readings_missing",
    "recovered_after_restart",
    "scale_overload",
    "slow_start",
    "unattributed",
    "unsteady_flow",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """What every record has."""

    record: ClassVar[str] = "record"
    schema: ClassVar[int] = 1
    id: str
    cell: str
    at: str
    """When it was said, on the clock of what happened: never the clock of whoever computes it again."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Dispense(Record):
    """One dispense, measured. `flow_g_per_min` = 60 x `mass_g` / `open_s`."""

    record: ClassVar[str] = "dispense"
    gun: str | None
    scale: str
    setup: str | None
    purpose: str
    """`shot`, `bleed` or `job`."""
    check_id: str | None
    """What the controller or a request groups this dispense by; None where nothing does."""
    started_at: str
    ended_at: str
    open_s: float | None
    u_open_s: float | None = None
    open_error_s: float | None = None
    u_open_error_s: float | None = None
    """How much longer liquid runs than told, by earlier shots of different length (ISO 4185)."""
    open_s_from: Literal["controller", "scale"]
    mass_g: float | None
    """True mass: buoyancy and evaporation corrected."""
    u_mass_g: float | None
    flow_g_per_min: float | None
    u_flow_g_per_min: float | None
    dof: float | None = None
    """Effective degrees of freedom of the flow (Welch-Satterthwaite)."""
    flow_low_g_per_min: float | None = None
    flow_high_g_per_min: float | None = None
    """95 % interval of the flow."""
    flow_ml_per_min: float | None
    steady_flow_g_per_min: float | None
    u_steady_flow_g_per_min: float | None = None
    evaporation_g_per_s: float | None
    pot_pressure_bar: float | None
    fluid_c: float | None
    quality: Quality
    flags: tuple[str, ...]
    n_readings: int
    budget: tuple[BudgetLine, ...] = ()
    """The uncertainty budget of the mass and the flow."""
    why_rejected: str | None = None
    scale_ahead_s: float | None = None
    """How far the scale's clock, on which the dispense stands, is ahead of the agent's; None below 2 s."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BudgetLine:
    """One contribution to the uncertainty of a flow, in the terms of JCGM 100."""

    source: str
    u_g_per_min: float
    """The contribution's standard uncertainty, times its sensitivity."""
    dof: float | None
    """None stands for infinitely many."""
    kind: Literal["A", "B"]
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ShotUsed:
    """A shot that a check was made of."""

    id: str
    started_at: str
    flow_g_per_min: float
    u_flow_g_per_min: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ShotLeftOut:
    """A shot that a check did not use, and why."""

    id: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Check(Record):
    """The shots of one gun for one setup, averaged and judged."""

    record: ClassVar[str] = "check"
    gun: str
    setup: str
    fluid: str
    started_at: str
    ended_at: str
    shots: tuple[ShotUsed, ...]
    left_out: tuple[ShotLeftOut, ...]
    mean_g_per_min: float | None
    sd_g_per_min: float | None
    repeatability_pct: float | None
    """Standard deviation of the shots over their mean, percent."""
    u_g_per_min: float | None
    """Standard uncertainty of the mean (JCGM 100)."""
    dof: float | None
    low_g_per_min: float | None
    high_g_per_min: float | None
    """95 % interval of the mean (Student's t)."""
    pot_pressure_bar: float | None
    at_setpoint_g_per_min: float | None
    """The mean, brought to the setup's pot pressure."""
    u_at_setpoint_g_per_min: float | None
    target_g_per_min: float
    tolerance_pct: float
    deviation_pct: float | None
    u_deviation_pct: float | None
    conformance_probability: float | None
    verdict: Verdict
    reason: str
    """Why this verdict, in a sentence."""
    flow_ml_per_min: float | None = None
    fluid_c: float | None = None
    needle_setting: float | None = None
    """The setting when the shots were taken, None where the agent was never told."""
    parts_since: str | None = None
    """When the gun's wearing parts were last changed."""
    sprayed_g: float | None = None
    """Grams the gun sprayed since then, as far as the agent saw it."""
    source: Literal["measured", "imported"] = "measured"
    """`imported`: from a paper history. It teaches wear and needle, and stands for no check of today."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BalanceGun:
    """A gun's part in a balance."""

    gun: str
    check_id: str
    mean_g_per_min: float
    from_mean_pct: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Balance(Record):
    """How far the guns of a cell differ from each other."""

    record: ClassVar[str] = "balance"
    setup: str
    guns: tuple[BalanceGun, ...]
    spread_pct: float | None
    u_spread_pct: float | None
    limit_pct: float
    verdict: Verdict
    off: str | None
    """The gun furthest from the others."""
    off_by_pct: float | None
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class WearDue:
    """When a wear limit is expected to be met, with its prediction interval."""

    date: str
    earliest: str
    latest: str | None
    """None where the interval has no end within ten years."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wear(Record):
    """Slow change of a gun's flow at like settings since its parts were changed."""

    record: ClassVar[str] = "wear"
    gun: str
    part: str
    since: str | None
    checks: int
    change_pct: float | None
    change_low_pct: float | None
    change_high_pct: float | None
    pattern: Literal["none", "drift", "step", "plugging"]
    limit_pct: float
    due: WearDue | None
    due_g: float | None
    """Grams still to be sprayed until the limit."""
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice(Record):
    """The needle setting that would bring a gun to its target. Nothing is sent to the controller."""

    record: ClassVar[str] = "advice"
    gun: str
    setup: str
    setting: float | None
    advised: float | None
    """None where no setting is advised; `reason` says why."""
    change: float | None = None
    """By how much to turn, in the gun's own unit: known even where the present setting is not."""
    unit: str = "turn"
    expected_g_per_min: float | None
    expected_low_g_per_min: float | None
    expected_high_g_per_min: float | None
    response_g_per_min_per_unit: float | None
    u_response_g_per_min_per_unit: float | None = None
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RankedCause:
    """One possible cause, with what speaks for it."""

    code: str
    weight: float
    evidence: tuple[str, ...]
    look_at: str
    gun: str | None = None
    """The gun it is about; None where it is about the whole cell."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause(Record):
    """What is probably behind uneven coverage, most probable first."""

    record: ClassVar[str] = "cause"
    setup: str | None = None
    ranked: tuple[RankedCause, ...]
    """Empty where nothing speaks any more for the causes told before."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reason:
    """Why a setup is held, and the way out."""

    code: str
    text: str
    remedy: str
    gun: str | None = None
    """The gun it is about; None where it is about the cell, or its guns together."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Release(Record):
    """The cell's state for a setup."""

    record: ClassVar[str] = "release"
    setup: str
    state: Literal["released", "held"]
    reasons: tuple[Reason, ...]
    valid_until: str | None


AlarmState: TypeAlias = Literal["NORM", "UNACK", "ACKED", "RTNUN", "SHLVD", "DSUPR", "OOSRV"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Alert(Record):
    """An alarm's state, in the terms of ISA-18.2."""

    record: ClassVar[str] = "alert"
    name: str
    state: AlarmState
    priority: Literal["low", "medium", "high"]
    since: str
    text: str
    consequence: str
    action: str
    acknowledged_by: str | None = None
    shelved_until: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Request(Record):
    """A flow check asked of the controller. The controller's own interlocks decide."""

    record: ClassVar[str] = "request"
    request: Literal["flow_check"] = "flow_check"
    gun: str
    setup: str
    shots: int
    shot_s: float
    bleed_s: float
    expires: str
    why: str = ""


AnyRecord: TypeAlias = Dispense | Check | Balance | Wear | Advice | Cause | Release | Alert | Request
KINDS: dict[str, type[Record]] = {
    kind.record: kind for kind in (Dispense, Check, Balance, Wear, Advice, Cause, Release, Alert, Request)
}


def record_id(kind: str, *what: object) -> str:
    """An id made of what happened alone: the kind and 20 hexadecimal digits of SHA-256 over the parts."""
    text = json.dumps([kind, *[str(part) for part in what]], ensure_ascii=True, separators=(",", ":"))
    return f"{kind}-{hashlib.sha256(text.encode()).hexdigest()[:20]}"
