"""What detection hands to flow: one dispense's stretch of readings, and what is known around it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Window:
    """One dispense, found: the readings from the plateau before it to the plateau after it.

    All times stand on the scale's clock (`t_s` of its readings), epoch seconds; `open_s` is a difference on
    the controller's own clock. Readings are in rising order of time, one per time.
    """

    cell: str
    scale: str
    gun: str | None
    """None where it cannot be known; nothing is guessed."""
    setup: str | None
    purpose: Literal["shot", "bleed", "job"]
    t_s: Floats
    """Shape (n,)."""
    mass_g: Floats
    """Indicated mass, shape (n,)."""
    opened_s: float
    """When the gun opened: the controller's word brought to the scale's clock, else seen in the curve."""
    closed_s: float
    """When the gun closed, likewise."""
    open_s: float | None
    """Commanded open time, None where no controller told it: then the curve must say."""
    origin: str
    """What the dispense's id is made of: the opening event's id, or the scale's time of the rise."""
    u_event_s: float = 0.05
    """Standard uncertainty of `opened_s` and `closed_s` on the scale's clock: the fit may move them so."""
    check_id: str | None = None
    """The controller's or the request's name for the check this belongs to."""
    setup_guessed: bool = False
    notes: frozenset[str] = field(default_factory=frozenset)
    """Flags that detection itself can tell: `clock_from_arrival`, `container_moved`, `readings_missing`,
    `scale_overload`, `no_plateau_before`, `no_plateau_after`, `recovered_after_restart`, `unattributed`."""
    losses_s: tuple[float, ...] = ()
    """Where the curve falls behind its flow by up to two seconds of it at once: air in the line, or the
    container. Flow tells which."""
    stable: NDArray[np.bool_] | None = None
    """The scale's own stability flags, shape (n,), where it sends them."""
    ended_s: float = 0.0
    """Arrival time of the last thing this window needed: when the result could first be known."""
    idle_slope_g_per_s: float | None = None
    """Slope of the scale at rest, learned from calm stretches before this; negative for evaporation."""
    u_idle_slope_g_per_s: float | None = None
    """Its standard uncertainty."""
    is_zero_held: bool = False
    """Whether the scale may have held its zero before: then it showed no evaporation, and hid all of it."""
    u_open_s: float | None = None
    """Standard uncertainty of `open_s`; None leaves it to what `clock_from_arrival` says of the clocks."""
    is_stamped: bool | None = None
    """Whether the controller dated its events itself; None leaves it to `clock_from_arrival`."""
