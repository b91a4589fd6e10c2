"""What is said of shots taken together: a gun's check, and the balance of a cell's guns."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Literal, TypeAlias

from agent.contract.record import Record

Verdict: TypeAlias = Literal["pass", "fail", "inconclusive"]


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
    u_alone_g_per_min: float | None = None
    dof_alone: float | None = None
    """The same without what all shots on the scale share (its calibration, air, density): what counts where
    checks or guns are compared. None where it is not known apart."""
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
