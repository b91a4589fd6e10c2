"""What a scenario is, once read."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any


@dataclass(frozen=True, slots=True)
class During:
    """A moment given by a dispense: the nth of a gun and purpose."""

    gun: str
    purpose: str = "shot"
    nth: int = 1


@dataclass(frozen=True, slots=True)
class Step:
    """One thing that happens."""

    do: str
    at_s: float = 0.0
    """After the beginning; ignored where `during` is given."""
    during: During | None = None
    after_s: float = 0.0
    """After the opening of the gun that `during` names."""
    every_s: float = 0.0
    times: int = 1
    words: Mapping[str, Any] = field(default_factory=dict)
    """The action's own arguments."""


@dataclass(frozen=True, slots=True)
class Expected:
    """What the agent should have said when the scenario is over; None and empty say nothing."""

    dispenses: int | None = None
    rejected: int | None = None
    verdicts: Mapping[str, str] = field(default_factory=dict)
    """Gun, verdict of its last check."""
    deviation_pct: Mapping[str, float] = field(default_factory=dict)
    """Gun, deviation of its last check from the target, within two percent."""
    balance: str | None = None
    release: str | None = None
    held_before: bool = False
    adjustments: int | None = None
    """How often a knob was turned."""
    flags: tuple[str, ...] = ()
    """Each stands on at least one dispense."""
    causes: tuple[str, ...] = ()
    """One of these is ranked first."""
    wear: Mapping[str, str] = field(default_factory=dict)
    """Gun, pattern of its last wear."""
    alerts: tuple[str, ...] = ()
    """Each was raised, not before the first dispense was spoiled where one was."""
    no_alerts: bool = False
    """Nobody was called at all."""


@dataclass(frozen=True, slots=True)
class Scenario:
    """A scenario as its file says it."""

    name: str
    title: str
    says: str
    expected: Expected
    settings: Mapping[str, Any]
    """What differs from a good day, by table of the file."""
    steps: tuple[Step, ...]
