"""One scale under watch: its last readings in order, its clock, the gate, and what it learned at rest."""

from __future__ import annotations

from collections import deque
from itertools import pairwise
from typing import Any

from agent.contract.inputs import ScaleReading
from agent.contract.plan import Plan, Scale
from agent.detection.clocks import ScaleClock
from agent.detection.gate import BLOCK_S, Gate
from agent.detection.idle import IdleSlope
from agent.detection.limits import Limits
from agent.detection.ring import Ring
from agent.detection.taken import Taken, remember

KEPT_IDLE_S = 60.0
"""Readings kept at rest: a plateau, and events that come half a minute late."""
KEPT_BUSY_S = 600.0
"""Readings kept while a dispense lasts; `ring.MOST_READINGS` bounds their number."""
STEP_READINGS = 5
"""So many readings in a row must agree before a clock counts as set back."""
STEP_AGREE_S = 0.3
FORWARD_S = 2.0
OVERLOAD_APART_S = 2.0
TRIM_EVERY = 256


class ScaleWatch:
    """What one scale says, brought into order. Times are on the scale's clock unless they say `arrived`."""

    __slots__ = (
        "_clock",
        "_n_since_trim",
        "_out_of_order",
        "busy",
        "dropped",
        "from_arrival",
        "gate",
        "idle",
        "last_arrived_s",
        "last_mass_g",
        "last_t_s",
        "limits",
        "overloads",
        "restored_to_s",
        "ring",
        "scale",
        "seq",
        "steps",
        "taken",
        "waits_from_arrived_s",
        "zeroed",
    )

    def __init__(self, scale: Scale, plan: Plan) -> None:
        self.scale = scale
        self.limits = Limits.of(scale, plan)
        self.ring = Ring()
        self.gate = Gate(self.limits)
        self.idle = IdleSlope(scale.resolution_g)
        self.last_arrived_s: float | None = None
        self.last_t_s = float("-inf")
        self.last_mass_g: float | None = None
        self.from_arrival = False
        self.seq: int | None = None
        self.overloads: deque[tuple[float, float]] = deque(maxlen=16)
        """Stretches of overload."""
        self.zeroed: deque[float] = deque(maxlen=16)
        self.taken: list[Taken] = []
        self.restored_to_s: float | None = None
        """Readings before this come from a snapshot."""
        self.busy = False
        """Whether a gun is open or a dispense waits to be given: old readings are kept."""
        self.waits_from_arrived_s = 0.0
        """Silence counts from here at the earliest: a plateau is still to come."""
        self.dropped = 0
        """Readings that came twice or too late to be placed."""
        self.steps = 0
        """How often the scale's clock was set."""
        self._out_of_order: list[ScaleReading] = []
        self._clock = ScaleClock()
        self._n_since_trim = 0

    @property
    def ahead_s(self) -> float:
        """How far the scale's clock is ahead of arrival, seconds."""
        return self._clock.ahead_s

    def add(self, reading: ScaleReading) -> bool:
        """Take a reading. True where a block is complete, so that it is worth looking."""
        t = reading.t_s
        arrived = reading.arrived_s
        mass = reading.mass_g
        gap_s = arrived - self.last_arrived_s if self.last_arrived_s is not None else 0.0
        self.last_arrived_s = arrived
        if reading.overload or mass is None or mass > self.limits.capacity_g:
            self._overloaded(t)
            if mass is None:
                return self._blind(t)
        if reading.seq is not None and reading.from_arrival:
            # Without times of its own, a number is all that tells a repeated or belated reading.
            if self.seq is not None and 0 <= self.seq - reading.seq < 1000:
                self.dropped += 1
                return False
            self.seq = reading.seq
        last_t = self.last_t_s
        if t <= last_t:
            return self._late(reading)
        if self._out_of_order:
            self._place_late()
        if t - last_t > gap_s + FORWARD_S and len(self.ring) > 20 and t - arrived > self.ahead_s + FORWARD_S:
            self._shift(t - arrived - self.ahead_s)
            self._give_way(t)
        self.from_arrival = reading.from_arrival
        self._clock.add(t - arrived, arrived)
        self.last_t_s = t
        self.last_mass_g = mass
        self.ring.append(t, mass, reading.stable)
        block = self.gate.add(t, mass)
        if block is None:
            return False
        self._n_since_trim += 1
        if self._n_since_trim >= TRIM_EVERY:
            self._trim()
        self._learn_idle(*block)
        return True

    def _overloaded(self, t_s: float) -> None:
        last = self.overloads[-1] if self.overloads else None
        if last is not None and -OVERLOAD_APART_S < t_s - last[1] < OVERLOAD_APART_S:
            self.overloads[-1] = (min(last[0], t_s), max(last[1], t_s))
        else:
            self.overloads.append((t_s, t_s))

    def _blind(self, t_s: float) -> bool:
        """A reading without a number: time passes on the scale all the same."""
        if t_s <= self.last_t_s or not len(self.ring):
            return False
        looks = int(t_s / BLOCK_S) > int(self.last_t_s / BLOCK_S)
        self.last_t_s = t_s
        return looks

    def take(self, new: Taken) -> None:
        """A dispense was made of this stretch."""
        remember(self.taken, new, self.gate.activities)

    def flush(self) -> None:
        """Nothing more comes: what waited for its place gets it."""
        if self._out_of_order:
            self._place_late()

    def missing_note(self, from_s: float, to_s: float) -> bool:
        """Whether readings are missing within [from_s, to_s]: a gap of more than four periods."""
        t, _ = self.ring.between(from_s - 2.0, to_s + 2.0)
        if t.size < 4:
            return True
        gaps = t[1:] - t[:-1]
        gaps.sort()
        period = float(gaps[gaps.size // 2])
        most = max(4.0 * period, 1.2 if self.from_arrival else 0.5)
        inside = t[(t > from_s) & (t < to_s)].tolist()
        edges = [from_s, *inside, to_s]
        return bool(max(b - a for a, b in pairwise(edges)) > most)

    def rate_hz(self) -> float | None:
        """Readings a second over the last ten seconds; None where there are too few."""
        t, _ = self.ring.between(self.last_t_s - 10.0, self.last_t_s + 1.0)
        return float((t.size - 1) / (t[-1] - t[0])) if t.size > 2 else None

    def _late(self, reading: ScaleReading) -> bool:
        """A reading no later than the last: twice, out of order, or the clock was set back."""
        waiting = self._out_of_order
        waiting.append(reading)
        if len(waiting) < STEP_READINGS:
            return False
        ahead = [late.t_s - late.arrived_s for late in waiting]
        rising = all(b.t_s > a.t_s for a, b in pairwise(waiting))
        if not rising or max(ahead) - min(ahead) > STEP_AGREE_S:
            self._place_late()
            return False
        held, self._out_of_order = list(waiting), []
        self._shift(max(ahead) - self.ahead_s)
        self._give_way(held[0].t_s)
        looked = False
        for one in held:
            looked = self.add(one) or looked
        return looked

    def _place_late(self) -> None:
        for late in self._out_of_order:
            placed = (
                late.mass_g is not None
                and not late.from_arrival
                and len(self.ring) > 0
                and late.t_s > self.ring.t[0]
                and self.ring.insert(late.t_s, late.mass_g, late.stable)
            )
            self.dropped += not placed
        self._out_of_order.clear()

    def _shift(self, by_s: float) -> None:
        """The clock was set: everything known moves to the new time."""
        self.steps += 1
        ahead_s = self.ahead_s + by_s
        self._move(by_s)
        self._clock.was_set(ahead_s, self.last_arrived_s or 0.0)

    def _move(self, by_s: float) -> None:
        self.ring.shift(by_s)
        self.gate.shift(by_s)
        self.idle.shift(by_s)
        self.last_t_s += by_s
        self.overloads = deque(((a + by_s, b + by_s) for a, b in self.overloads), maxlen=16)
        self.zeroed = deque((t + by_s for t in self.zeroed), maxlen=16)
        for taken in self.taken:
            taken.from_s += by_s
            taken.to_s += by_s
        if self.restored_to_s is not None:
            self.restored_to_s += by_s

    def _give_way(self, t_s: float) -> None:
        """What the old clock has at the same times as the new one makes room."""
        if t_s <= self.last_t_s:
            self.ring.forget_from(t_s)
            self.last_t_s = t_s - 1e-6

    def arrivals_moved(self, by_s: float) -> None:
        """Our own clock was set by so much while nothing was measured: arrivals are dated anew."""
        if self.last_arrived_s is None:
            return
        self.last_arrived_s += by_s
        if self.from_arrival:
            # Its readings stand on our clock, and go along.
            self._move(by_s)
        else:
            self._clock.arrivals_moved(by_s)

    def _learn_idle(self, t_s: float, mass_g: float) -> None:
        calm_from_s = self.gate.calm_from_s
        if self.busy or calm_from_s is None:
            if self.gate.active is not None:
                self.idle.forget_stretch()
            else:
                self.idle.end(t_s)
        elif t_s > calm_from_s + 2.0:
            self.idle.add(t_s, mass_g)

    def _trim(self) -> None:
        self._n_since_trim = 0
        kept_s = KEPT_BUSY_S if self.busy or self.gate.undone else KEPT_IDLE_S
        self.ring.forget_before(self.last_t_s - kept_s)

    def state(self, from_s: float) -> dict[str, Any]:
        """Readings since `from_s` and what is needed to go on after a restart, as plain JSON."""
        t, mass = self.ring.between(from_s, self.last_t_s + 1.0)
        began_s = float(t[0]) if t.size else 0.0
        return {
            "began_s": began_s,
            "ms": [round(1e3 * since) for since in (t - began_s).tolist()],
            "mass_g": [round(grams, 6) for grams in mass.tolist()],
            "arrived_s": self.last_arrived_s,
            "ahead_s": self.ahead_s,
            "from_arrival": self.from_arrival,
            "taken": [[taken.from_s, taken.to_s, taken.by_curve, taken.mass_g] for taken in self.taken],
        }

    def restore(self, state: dict[str, Any]) -> None:
        """Take up what was written down."""
        ahead_s = float(state["ahead_s"])
        times = [state["began_s"] + 1e-3 * ms for ms in state["ms"]]
        for t, mass in zip(times, state["mass_g"], strict=True):
            self.add(
                ScaleReading("", self.scale.name, t, t - ahead_s, mass, from_arrival=state["from_arrival"])
            )
        self.last_arrived_s = state["arrived_s"]
        self.taken = [Taken(*row) for row in state["taken"]]
        if times:
            self.restored_to_s = times[-1]
