"""What a controller holds against a request, and how it behaves towards those who ask."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from agent.contract.times import epoch_s
from simulators.messages import TimeForm

MOST_SHOTS = 20
LONGEST_SHOT_S = 300.0


@dataclass(slots=True)
class Manners:
    """How this controller behaves; all may be changed while it runs."""

    answers: bool = True
    """Whether it takes requests at all."""
    answers_after_s: float = 0.3
    refuses: str | None = None
    """Refuses every request for this reason."""
    queue_length: int = 4
    """Requests that may wait while a check runs; beyond that it is busy."""
    expiry_on_own_clock: bool = True
    """Judges `expires` by its own clock; else by the life that the request's `at` and `expires` give it."""
    speaks: bool = True
    """Whether it tells any events: a cell with no controller on MQTT has one all the same."""
    tells_purpose: bool = True
    tells_setup: bool = True
    t_form: TimeForm = "rfc3339"
    clock_offset_s: float = 0.0
    settles_before_s: float = 6.0
    """Quiet time before the first bleed or shot of a check."""
    rests_s: float = 8.0
    """Quiet time after each shot."""
    repeats_events: bool = False
    """Sends every event twice, as QoS 1 may."""


@dataclass(frozen=True, slots=True)
class Interlocks:
    """The state of a controller that decides on a request."""

    guns: tuple[str, ...]
    setups: frozenset[str]
    door_open: bool
    ready: bool
    not_ready_because: str
    running: str | None
    """What programme runs."""
    waiting: int
    """How many wait behind it."""
    now_s: float
    """True time, epoch seconds."""


def objection(body: Mapping[str, Any], state: Interlocks, manners: Manners) -> str | None:
    """Why a request is refused, or None where it is accepted."""
    if manners.refuses is not None:
        return manners.refuses
    if body.get("request") != "flow_check":
        return f"unknown request {body.get('request')!r}"
    if body.get("gun") not in state.guns:
        return f"unknown gun {body.get('gun')!r}"
    if body.get("setup") not in state.setups:
        return f"unknown setup {body.get('setup')!r}"
    if deadline_s(body, state.now_s, manners) < state.now_s:
        return "expired"
    if state.door_open:
        return "door open"
    if not state.ready:
        return f"not ready: {state.not_ready_because}" if state.not_ready_because else "not ready"
    if _out_of_bounds(body):
        return "shots or times out of bounds"
    if state.running is not None and (state.running == "job" or state.waiting >= manners.queue_length):
        return f"busy: {state.running}"
    return None


def deadline_s(body: Mapping[str, Any], now_s: float, manners: Manners) -> float:
    """Until when a request may begin, true time; -inf where its `expires` cannot be read."""
    expires = body.get("expires")
    if expires is None:
        return math.inf
    try:
        if manners.expiry_on_own_clock:
            return epoch_s(expires) - manners.clock_offset_s
        return now_s + epoch_s(expires) - epoch_s(body.get("at") or expires)
    except (ValueError, TypeError, AttributeError):
        return -math.inf


def _out_of_bounds(body: Mapping[str, Any]) -> bool:
    try:
        shots, shot_s, bleed_s = (float(body.get(name) or 0) for name in ("shots", "shot_s", "bleed_s"))
    except (TypeError, ValueError):
        return True
    return not (0 <= shots <= MOST_SHOTS and 0 <= shot_s <= LONGEST_SHOT_S and 0 <= bleed_s <= LONGEST_SHOT_S)
