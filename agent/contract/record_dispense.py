"""What is said of one dispense: its measured flow, with its budget of uncertainty."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Literal, TypeAlias

from agent.contract.record import Record

Quality: TypeAlias = Literal["good", "suspect", "rejected"]
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
