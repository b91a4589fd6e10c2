"""The detector of one cell: readings and events in, the window of each dispense out.

Where a controller tells of its guns, its word says when; the readings say how much, and put its clock right.
Where a part of its word is lost, or there is no controller, the readings say both. A dispense is given once
its plateau afterwards is long enough, or cannot become longer.

Nothing depends on how often the detector is asked: whatever is decided is decided when a reading completes
a quarter of a second, when an event arrives, or at a time fixed by those, whichever tick notices it.
"""

from __future__ import annotations

from typing import Any

from agent.contract.inputs import ControllerEvent, ScaleReading
from agent.contract.plan import Cell, Plan
from agent.detection.already import is_taken, was_seen
from agent.detection.carving import room_around
from agent.detection.locating import by_controller, torn_apart
from agent.detection.naming import Namer
from agent.detection.patience import PLATEAU_S, SILENT_S, Patience
from agent.detection.placing import Placed, on_scale, placed_on
from agent.detection.reach import BEFORE_S
from agent.detection.scale_watch import ScaleWatch
from agent.detection.seen import Seen
from agent.detection.status import Curve, ScaleStatus, curve_of, status_of
from agent.detection.taken import Taken
from agent.detection.triggers import Told, Triggers
from agent.detection.window import Window

HOMELESS_S = 120.0
"""What a gun did that no scale shows is forgotten after this."""
JOB_KEPT_S = 120.0
NEVER = float("inf")


class Detector:
    """Finds the dispenses of one cell, on all its scales."""

    def __init__(self, cell: Cell, plan: Plan) -> None:
        self.cell = cell
        self.abandoned = 0
        """Openings or closings alone that left no mass: nothing could be measured."""
        self.belated = 0
        """Dispenses told by the controller after the scale alone had told them."""
        self._triggers = Triggers(cell, plan)
        self._watches = {scale.name: ScaleWatch(scale, plan) for scale in cell.scales}
        self._namer = Namer(cell, self._triggers)
        self._seen = Seen(cell, self._namer)
        self._patience = Patience(cell, self._triggers, self._namer)
        self._due_s = NEVER
        self._began_s = NEVER
        self._passed_s = float("-inf")

    def reading(self, reading: ScaleReading) -> list[Window]:
        """A reading of one of the cell's scales, in order of arrival."""
        found = self._advance(reading.arrived_s) if reading.arrived_s >= self._due_s else []
        watch = self._watches.get(reading.scale)
        if watch is not None and watch.add(reading) and (watch.busy or watch.gate.undone):
            found = found + self._decide(watch, reading.arrived_s)
        return found

    def event(self, event: ControllerEvent) -> list[Window]:
        """An event of the cell's controller, in order of arrival."""
        found = self._advance(event.arrived_s) if event.arrived_s >= self._due_s else []
        if not self._triggers.add(event):
            return found
        if event.event == "scale_zeroed":
            for name, watch in self._watches.items():
                if event.scale in (None, name):
                    watch.zeroed.append(on_scale(event, watch, self._triggers))
        elif event.event in ("gun_opened", "gun_closed"):
            for watch in self._watches.values():
                found = found + self._decide(watch, event.arrived_s)
        return found

    def passed(self, now_s: float) -> list[Window]:
        """Time passes on the arrival clock."""
        self._began_s = min(self._began_s, now_s)
        self._passed_s = max(self._passed_s, now_s)
        return self._advance(now_s) if now_s >= self._due_s else []

    def clock_set(self, by_s: float) -> None:
        """Our own clock was set by `by_s` while nothing was measured; forwards is positive."""
        self._began_s += by_s
        self._passed_s += by_s
        self._due_s += by_s
        self._triggers.clock.arrivals_moved(by_s)
        for watch in self._watches.values():
            watch.arrivals_moved(by_s)

    def finish(self) -> list[Window]:
        """Nothing more will come: give what can be given."""
        found: list[Window] = []
        for watch in self._watches.values():
            watch.flush()
            found += self._decide(watch, watch.last_arrived_s or 0.0, final=True)
        return found

    def measuring(self) -> bool:
        """Whether a dispense lasts or waits for its plateau."""
        return any(watch.busy or watch.gate.undone for watch in self._watches.values())

    def scales_heard(self) -> dict[str, bool]:
        """By scale: whether it speaks, by its own `silent_s`, as far as time was told to have passed.

        A scale that never spoke is given as long as one that fell silent when the time was first told.
        """
        heard = {name: watch.last_arrived_s for name, watch in self._watches.items()}
        now_s = max([self._passed_s, *(at_s for at_s in heard.values() if at_s is not None)])
        return {
            name: now_s - (at_s if at_s is not None else self._began_s) <= self._watches[name].scale.silent_s
            for name, at_s in heard.items()
        }

    def scale_ahead_s(self, scale: str) -> float:
        """How far a scale's clock is ahead of arrival, s, by its least-delayed readings."""
        return self._watches[scale].ahead_s

    def idle_slopes(self) -> dict[str, tuple[float, float]]:
        """By scale with all guns closed: slope at rest and its standard uncertainty, g/s."""
        known: dict[str, tuple[float, float]] = {}
        for name, watch in self._watches.items():
            slope = watch.idle.slope_g_per_s
            if slope is not None:
                known[name] = (slope, watch.idle.u_g_per_s)
        return known

    def status(self, scale: str) -> ScaleStatus:
        """What is known of a scale now. Raises KeyError for a scale the cell has not."""
        return status_of(self._watches[scale])

    def curve(self, scale: str, seconds: float = 60.0) -> Curve:
        """The last readings of a scale. Raises KeyError for a scale the cell has not."""
        return curve_of(self._watches[scale], seconds)

    def awaited(self) -> list[ControllerEvent]:
        """Openings that the controller told and that are not accounted for yet."""
        return [told.opened for told in self._triggers.told() if told.opened is not None]

    def open_guns(self) -> list[str]:
        """Guns that the controller opened and did not close."""
        return sorted({t.gun for t in self._triggers.told() if t.gun and not t.closed and not t.until})

    def snapshot(self) -> dict[str, Any]:
        """What a restart in the middle of a dispense needs, as plain JSON.

        Events not accounted for, what was given already, and of the scales where something happens the
        readings from the plateau before on.
        """
        scales: dict[str, Any] = {}
        for name, watch in self._watches.items():
            told = self._placed(watch)
            begins = [one.begins_s for one in told if _needs_readings(watch, one)] + [
                a.from_s for a in watch.gate.activities if not a.done
            ]
            if begins or watch.taken:
                scales[name] = watch.state(min(begins) - BEFORE_S if begins else NEVER)
        idle = {name: watch.idle.state() for name, watch in self._watches.items()}
        return {
            "triggers": self._triggers.state(),
            "sets": self._namer.state(),
            "scales": scales,
            "idle": idle,
        }

    def restore(self, kept: dict[str, Any]) -> None:
        """Take up a snapshot; an empty one, or one of another plan's scales, leaves things as they are."""
        if "triggers" in kept:
            self._triggers.restore(kept["triggers"])
        if "sets" in kept:
            self._namer.restore(kept["sets"])
        for name, state in kept.get("scales", {}).items():
            if name in self._watches:
                self._watches[name].restore(state)
        for name, (slope, u, at_s) in kept.get("idle", {}).items():
            if name in self._watches:
                self._watches[name].idle.restore(slope, u, at_s)
        for watch in self._watches.values():
            watch.busy = any(_needs_readings(watch, one) for one in self._placed(watch))

    def _advance(self, now_s: float) -> list[Window]:
        """Decide what was due by now, each at its own time."""
        found: list[Window] = []
        while self._due_s <= now_s:
            at_s = self._due_s
            for watch in self._watches.values():
                if self._due_of(watch) <= at_s:
                    found += self._decide(watch, at_s)
            later = min(self._due_of(watch) for watch in self._watches.values())
            # What cannot be decided for lack of readings is left to the next reading or event.
            self._due_s = later if later > at_s else NEVER
        return found

    def _due_of(self, watch: ScaleWatch) -> float:
        if not (watch.busy or watch.gate.undone):
            return NEVER
        return max(watch.last_arrived_s or 0.0, watch.waits_from_arrived_s) + SILENT_S

    def _placed(self, watch: ScaleWatch) -> list[Placed]:
        here = [told for told in self._triggers.told() if self._is_here(watch, told)]
        return placed_on(watch, self._triggers, here)

    def _is_here(self, watch: ScaleWatch, told: Told) -> bool:
        scale = self._triggers.scale_of(told)
        if scale is not None:
            return scale == watch.scale.name
        # Nobody knows where this gun shoots: where a scale moves in its time, it is there.
        if told.opened is None or told.closed is None:
            return False
        from_s, to_s = (on_scale(event, watch, self._triggers) for event in (told.opened, told.closed))
        return any(a.from_s < to_s and (a.to_s is None or a.to_s > from_s) for a in watch.gate.activities)

    def _decide(self, watch: ScaleWatch, now_s: float, final: bool = False) -> list[Window]:
        found: list[Window] = []
        placed = self._placed(watch)
        waiting: list[Placed] = []
        half_told: list[tuple[Placed, float | None]] = []
        for i, one in enumerate(placed):
            following = next((p.begins_s for p in placed[i + 1 :] if p.begins_s > one.begins_s + 0.5), None)
            if was_seen(watch, one):
                self._forget(one)
                self.belated += 1
            elif not final and (
                any(self._patience.may_be_open(watch, still, one) for still in waiting)
                or not self._patience.is_ready(watch, one, following, now_s)
            ):
                waiting.append(one)
            elif one.from_s is None or one.to_s is None:
                half_told.append((one, following))
            else:
                for part in torn_apart(watch, one, self._patience.usual_s(one)):
                    window = self._told(watch, part, following, now_s)
                    found += [window] if window is not None else []
        # What was told whole comes first: half a word may only have what nobody else shot.
        for one, following in half_told:
            if not final and any(self._patience.may_explain(whole, one) for whole in waiting):
                waiting.append(one)
                continue
            for part in torn_apart(watch, one, self._patience.usual_s(one)):
                window = self._told(watch, part, following, now_s)
                found += [window] if window is not None else []
        silent = final or now_s >= (watch.last_arrived_s or 0.0) + SILENT_S
        found += self._seen.windows(watch, waiting, now_s, silent=silent, final=final)
        watch.busy = any(_needs_readings(watch, one) for one in waiting)
        watch.waits_from_arrived_s = max(
            (one.arrived_s + PLATEAU_S for one in waiting if one.to_s is not None), default=0.0
        )
        self._forget_homeless(now_s)
        self._due_s = min(self._due_s, self._due_of(watch))
        return found

    def _told(self, watch: ScaleWatch, one: Placed, following: float | None, now_s: float) -> Window | None:
        end_s = one.to_s if one.to_s is not None else one.until_s
        room = room_around(watch, one.begins_s, end_s if end_s is not None else watch.last_t_s, following)
        found = by_controller(watch, one, room)
        self._forget(one)
        half_told = one.from_s is None or one.to_s is None
        if found is None or (half_told and is_taken(watch, found)):
            self.abandoned += 1
            return None
        if one.purpose == "job" and found.rise is None:
            return None
        watch.take(Taken(found.times.from_s, found.ends_s, by_curve=False, mass_g=found.mass_g))
        self._patience.learn(one, found.times.open_s)
        return self._namer.told(watch, one, found, now_s)

    def _forget(self, one: Placed) -> None:
        for told in one.told:
            self._triggers.forget(told)

    def _forget_homeless(self, now_s: float) -> None:
        for told in self._triggers.told():
            last = told.closed or told.opened
            if self._triggers.scale_of(told) is None and last and now_s - last.arrived_s > HOMELESS_S:
                self._triggers.forget(told)
                self.abandoned += 1


def _needs_readings(watch: ScaleWatch, one: Placed) -> bool:
    """Whether readings must be kept for a dispense: one that sprays a part for long weighs nothing."""
    return one.purpose != "job" or watch.last_t_s < one.begins_s + JOB_KEPT_S
