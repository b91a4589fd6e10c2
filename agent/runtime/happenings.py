"""What the worker takes from its inbox: from the network, the timetable and the outlets."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypeAlias

from agent.contract.inputs import RawMessage
from agent.journal.errors import JournalNotice

LineFault: TypeAlias = Literal["lost", "hung", "taken-over", "unreachable", "tls", "refused"]
"""How a connection ended or failed: closed; silent for too long; another client came with our id; nobody
there; a certificate that was not accepted, on either side; the broker said no."""


@dataclass(frozen=True, slots=True)
class Arrival:
    """A message, and what it takes to acknowledge it."""

    message: RawMessage
    generation: int
    mid: int


@dataclass(frozen=True, slots=True)
class LinkUp:
    """The broker let us in."""

    generation: int
    session_kept: bool
    version: str
    lacks: tuple[str, ...] = ()
    """What the broker said that it cannot do (MQTT 5)."""


@dataclass(frozen=True, slots=True)
class LinkDown:
    """The connection ended or could not be made."""

    generation: int
    why: str
    kind: LineFault = "lost"


@dataclass(frozen=True, slots=True)
class Published:
    """The broker has taken what we published, or refused it (`reason` >= 0x80)."""

    generation: int
    mid: int
    reason: int


@dataclass(frozen=True, slots=True)
class Subscribed:
    """The broker's answer to our subscriptions; a granted one may still be filtered by its access list."""

    generation: int
    refused: tuple[str, ...]
    lowered: tuple[str, ...] = ()
    """Filters for which it granted less than the QoS asked for."""


@dataclass(frozen=True, slots=True)
class Chore:
    """The timetable's word that something is due."""

    what: Literal["housekeeping", "canary", "backup"]


@dataclass(frozen=True, slots=True)
class TurnChanged:
    """Among agents that stand by for each other: it is our turn to speak now, or no longer."""

    ours: bool
    why: str


@dataclass(frozen=True, slots=True)
class OutletFault:
    """Something a thread beside the worker, an outlet's or the backup's, has to report."""

    outlet: str
    fault: JournalNotice


Happening: TypeAlias = (
    Arrival | LinkUp | LinkDown | Published | Subscribed | Chore | OutletFault | TurnChanged
)
