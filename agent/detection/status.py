"""What others may see of a scale while it is watched: cheap, and changing nothing."""

from __future__ import annotations

from dataclasses import dataclass

from agent.detection.scale_watch import ScaleWatch
from agent.detection.window import Floats


@dataclass(frozen=True, slots=True)
class ScaleStatus:
    """A scale as it stands."""

    scale: str
    heard_s: float | None
    """Arrival of its last reading; None where it was never heard."""
    reading_s: float | None
    """Time of that reading on the scale's clock."""
    mass_g: float | None
    rate_hz: float | None
    ahead_s: float
    """How far its clock is ahead of arrival."""
    noise_g: float
    """Standard deviation of a quarter second's mean, rounding included."""
    dispensing: bool
    """Whether a gun is open over it, or a dispense waits for its plateau."""
    changing: bool
    """Whether its readings are not at rest."""
    idle_slope_g_per_s: float | None
    """At rest: negative for evaporation, positive for a leaking seat; None before the first calm stretch."""
    u_idle_slope_g_per_s: float | None
    idle_stretches: int
    dropped: int
    """Readings that came twice or too late to be placed."""
    clock_steps: int


@dataclass(frozen=True, slots=True, eq=False)
class Curve:
    """The last readings of a scale, for a page."""

    t_s: Floats
    mass_g: Floats


def status_of(watch: ScaleWatch) -> ScaleStatus:
    """A scale's status."""
    known = watch.idle.slope_g_per_s is not None
    return ScaleStatus(
        scale=watch.scale.name,
        heard_s=watch.last_arrived_s,
        reading_s=watch.last_t_s if len(watch.ring) else None,
        mass_g=watch.last_mass_g,
        rate_hz=watch.rate_hz(),
        ahead_s=watch.ahead_s,
        noise_g=watch.gate.noise_g,
        dispensing=watch.busy,
        changing=watch.gate.active is not None,
        idle_slope_g_per_s=watch.idle.slope_g_per_s,
        u_idle_slope_g_per_s=watch.idle.u_g_per_s if known else None,
        idle_stretches=watch.idle.stretches,
        dropped=watch.dropped,
        clock_steps=watch.steps,
    )


def curve_of(watch: ScaleWatch, seconds: float) -> Curve:
    """The readings of the last `seconds`, as many as are kept."""
    t, mass = watch.ring.between(watch.last_t_s - seconds, watch.last_t_s + 1.0)
    return Curve(t.copy(), mass.copy())
