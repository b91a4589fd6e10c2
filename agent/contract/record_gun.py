"""What follows for a gun: its wear, the advice for its needle, and what is probably behind it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Literal

from agent.contract.record import Record


@dataclass(frozen=True, slots=True, kw_only=True)
class WearDue:
    """When a wear limit is expected to be met, with its prediction interval."""

    date: str
    earliest: str
    latest: str | None
    """None where the interval has no end within ten years."""
    at: str | None = None
    earliest_at: str | None = None
    latest_at: str | None = None
    """The same as moments (RFC 3339, UTC): `date`, `earliest` and `latest` are days of UTC, and a site has
    its own."""


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
    """By how much to turn, in the gun's own unit: known even where the present setting is not. It counts from
    how the knob stood at `at`: once it was turned, or a part changed, the next check says what is left.
    """
    unit: str = "turn"
    expected_g_per_min: float | None
    expected_low_g_per_min: float | None
    expected_high_g_per_min: float | None
    response_g_per_min_per_unit: float | None
    u_response_g_per_min_per_unit: float | None = None
    reason: str
    """All that is to be said: what follows, in one sentence."""
    why: str = ""
    """What is advised, or why nothing is, and how well the knob's effect is known."""
    first: str = ""
    """What to do before the needle is turned, and why ("first ..."); empty where it may be turned at once."""
    remark: str = ""
    """What else to bear in mind where it is turned."""


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
