"""What a cell is told and asked: its release, its alarms, the checks that are wanted of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Literal, TypeAlias

from agent.contract.record import Record


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
