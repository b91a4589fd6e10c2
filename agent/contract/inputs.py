"""What comes into the pipeline, after decoding: frozen values in the agent's own units.

Times are epoch seconds (UTC). `t_s` is the sender's own clock where it gave one, else the arrival;
`arrived_s` is when this machine got the message. `from_arrival` says which of the two `t_s` is.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypeAlias

Purpose: TypeAlias = Literal["shot", "bleed", "job"]
EventName: TypeAlias = Literal[
    "gun_opened",
    "gun_closed",
    "check_started",
    "check_ended",
    "setup_loaded",
    "needle_set",
    "part_changed",
    "scale_zeroed",
    "cell_ready",
]
Part: TypeAlias = Literal["nozzle", "needle", "seal", "gun"]
AlarmCommandName: TypeAlias = Literal["acknowledge", "shelve", "unshelve"]


@dataclass(frozen=True, slots=True)
class RawMessage:
    """One message as it came off the wire or out of a capture: bytes with no meaning yet."""

    topic: str
    payload: bytes
    arrived_s: float
    qos: int = 0
    retain: bool = False


@dataclass(frozen=True, slots=True)
class ScaleReading:
    """One reading of a scale."""

    cell: str
    scale: str
    t_s: float
    arrived_s: float
    mass_g: float | None
    """Indicated mass; None when the scale reported overload and no number."""
    from_arrival: bool = False
    stable: bool | None = None
    seq: int | None = None
    overload: bool = False


@dataclass(frozen=True, slots=True)
class ControllerEvent:
    """One event of the cell's controller."""

    cell: str
    event: EventName
    t_s: float
    arrived_s: float
    event_id: str
    """The controller's own `id`, or one made of what happened where it gave none."""
    from_arrival: bool = False
    retained: bool = False
    """A retained event is stale: it is recorded, and nothing is computed from it."""
    gun: str | None = None
    purpose: Purpose | None = None
    setup: str | None = None
    setting: float | None = None
    part: Part | None = None
    scale: str | None = None
    ready: bool | None = None
    reason: str | None = None


@dataclass(frozen=True, slots=True)
class PotPressure:
    """Pressure in the pot, gauge."""

    cell: str
    t_s: float
    arrived_s: float
    pressure_bar: float
    from_arrival: bool = False


@dataclass(frozen=True, slots=True)
class FluidTemperature:
    """Temperature of the fluid."""

    cell: str
    t_s: float
    arrived_s: float
    temperature_c: float
    from_arrival: bool = False


@dataclass(frozen=True, slots=True)
class Reply:
    """The controller's answer to a request."""

    cell: str
    arrived_s: float
    request_id: str
    accepted: bool
    reason: str | None = None


@dataclass(frozen=True, slots=True)
class AlarmCommand:
    """What a person asks of an alarm."""

    cell: str
    arrived_s: float
    name: str
    command: AlarmCommandName
    by: str | None = None
    minutes: float | None = None


@dataclass(frozen=True, slots=True)
class Undecodable:
    """A message that was dropped, or is about nothing that is known: counted and warned of, no more."""

    topic: str
    arrived_s: float
    fault: str
    """What was wrong, in a sentence, with no part of the payload longer than 80 characters."""
    code: str
    """What kind of fault, for counting: `not_json`, `wrong_type`, `not_finite`, `unit`, `unknown_cell`,
    `unknown_alarm`, `unknown_request`."""


Input: TypeAlias = ScaleReading | ControllerEvent | PotPressure | FluidTemperature | Reply | AlarmCommand
