"""The controller's word brought to a scale's clock: which dispenses were told there, and when.

A controller's time goes to arrival by its clock's offset and from there to the scale's clock by the scale's
(`clocks`). Where two events of one dispense are further apart by the clock than by their arrival, by more
than a network explains, or in the wrong order, that clock was set in between and the arrival counts. Where
they are further apart by their arrival, the second one waited for a line or an agent that was away.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from agent.contract.inputs import ControllerEvent, Purpose
from agent.detection.scale_watch import ScaleWatch
from agent.detection.triggers import Told, Triggers

SET_S = 60.0
"""The clock says so much more than the arrivals: it was set for certain."""
TOGETHER_S = 0.3
"""Two guns open at once for longer than this cannot be told apart on one scale."""


@dataclass(frozen=True, slots=True)
class Placed:
    """A dispense that the controller told, on the scale's clock."""

    told: tuple[Told, ...]
    """One, or several that cannot be told apart."""
    from_s: float | None
    to_s: float | None
    until_s: float | None
    """The next opening of the same gun, where the closing was lost."""
    open_s: float | None
    u_s: float
    arrived_s: float
    """When the last of its events came."""
    by_arrival: bool

    @property
    def begins_s(self) -> float:
        """The opening, or what is known instead of it."""
        if self.from_s is not None:
            return self.from_s
        assert self.to_s is not None  # noqa: S101  (one of both is there by construction)
        return self.to_s

    @property
    def purpose(self) -> Purpose | None:
        """What the controller said it is for; None where it did not, or said different things."""
        said = {e.purpose for t in self.told for e in (t.opened, t.closed) if e is not None and e.purpose}
        return said.pop() if len(said) == 1 else None

    @property
    def setup(self) -> str | None:
        """The setup that the events themselves name, if one."""
        said = {e.setup for t in self.told for e in (t.opened, t.closed) if e is not None and e.setup}
        return said.pop() if len(said) == 1 else None


def placed_on(watch: ScaleWatch, triggers: Triggers, told: Iterable[Told]) -> list[Placed]:
    """All of these dispenses on a scale's clock, in order of time, inseparable ones made one."""
    alone = sorted((_placed(watch, triggers, one) for one in told), key=lambda placed: placed.begins_s)
    joined: list[Placed] = []
    for placed in alone:
        before = joined[-1] if joined else None
        if before is not None and _together(before, placed):
            joined[-1] = _union(before, placed)
        else:
            joined.append(placed)
    return joined


def on_scale(
    event: ControllerEvent, watch: ScaleWatch, triggers: Triggers, by_arrival: bool = False
) -> float:
    """An event's time on a scale's clock."""
    if event.from_arrival or by_arrival:
        return event.arrived_s + watch.ahead_s
    return event.t_s - triggers.clock.offset_s + watch.ahead_s


def _placed(watch: ScaleWatch, triggers: Triggers, told: Told) -> Placed:
    opened, closed, until = told.opened, told.closed, told.until
    apart, arrived_apart = told.open_s, told.arrived_apart_s
    was_set = (
        apart is not None
        and arrived_apart is not None
        and (apart - arrived_apart > SET_S or apart <= 0.0 < arrived_apart)
    )
    open_s = arrived_apart if was_set else apart
    if open_s is not None and open_s < 0.0:
        open_s = None
    both = [event for event in (opened, closed) if event is not None]
    by_arrival = was_set or any(event.from_arrival for event in both)
    from_s = on_scale(opened, watch, triggers, was_set) if opened else None
    to_s = on_scale(closed, watch, triggers, was_set) if closed else None
    if from_s is not None and to_s is not None and open_s is not None:
        to_s = from_s + open_s
    return Placed(
        (told,),
        from_s,
        to_s,
        on_scale(until, watch, triggers) if until else None,
        open_s,
        max(0.05, 0.1 if by_arrival else triggers.clock.u_offset_s, 0.1 if watch.from_arrival else 0.0),
        max(event.arrived_s for event in (*both, *([until] if until else []))),
        by_arrival,
    )


def _together(a: Placed, b: Placed) -> bool:
    if a.from_s is None or b.from_s is None or a.to_s is None or b.to_s is None:
        return False
    if (a.purpose == "job") != (b.purpose == "job"):
        return False
    return min(a.to_s, b.to_s) - max(a.from_s, b.from_s) > TOGETHER_S


def _union(a: Placed, b: Placed) -> Placed:
    assert a.from_s is not None and b.from_s is not None  # noqa: S101, PT018  (asked by _together)
    assert a.to_s is not None and b.to_s is not None  # noqa: S101, PT018
    from_s, to_s = min(a.from_s, b.from_s), max(a.to_s, b.to_s)
    return replace(
        a,
        told=(*a.told, *b.told),
        from_s=from_s,
        to_s=to_s,
        open_s=to_s - from_s,
        u_s=max(a.u_s, b.u_s),
        arrived_s=max(a.arrived_s, b.arrived_s),
        by_arrival=a.by_arrival or b.by_arrival,
    )
