"""Windows of a simulated trace: handed over as they are, or cut by the detector as in the field."""

from __future__ import annotations

import numpy as np

from agent.contract.inputs import ControllerEvent, EventName, ScaleReading
from agent.contract.plan import Cell, Gun, Plan, Scale, Setup
from agent.detection.detector import Detector
from agent.detection.window import Window
from simulators.traces import Trace


def direct_window(trace: Trace) -> Window:
    """The whole trace with the controller's word for its times."""
    shown = np.isfinite(trace.mass_g)
    t, first = np.unique(trace.t_s[shown], return_index=True)
    notes = {"clock_from_arrival"} if trace.family == "untidy_network" else set()
    if not shown.all():
        notes.add("scale_overload")
    return Window(
        cell="north",
        scale="floor",
        gun="upper",
        setup="impeller",
        purpose="shot",
        t_s=t,
        mass_g=trace.mass_g[shown][first],
        opened_s=trace.opened_s,
        closed_s=trace.closed_s,
        open_s=trace.open_s,
        origin="gun_opened",
        notes=frozenset(notes),
        ended_s=float(t[-1]) if t.size else trace.closed_s,
        u_open_s=0.001,
    )


def windows_of(trace: Trace) -> list[Window]:
    """Play a trace as messages: with events where it has a controller, by arrival where it is untidy."""
    scale = Scale("floor", trace.resolution_g, trace.capacity_g)
    cell = Cell("north", (scale,), (Gun("upper", "floor"),), has_controller=trace.controller)
    setup = Setup("impeller", trace.fluid, round(trace.true_flow_g_per_min, -1), shot_s=round(trace.open_s))
    detector = Detector(cell, Plan("edge", "plant", "UTC", (cell,), (setup,), ()))
    untidy = trace.family == "untidy_network"
    late_s = 0.0 if untidy else 0.02
    came: list[tuple[float, int, ScaleReading | ControllerEvent]] = []
    for t, mass, stable in zip(trace.t_s.tolist(), trace.mass_g.tolist(), trace.stable.tolist(), strict=True):
        over = bool(np.isnan(mass))
        grams = None if over else mass
        reading = ScaleReading("north", "floor", t, t + late_s, grams, untidy, stable, overload=over)
        came.append((t + late_s, 1, reading))
    if trace.controller:
        told: dict[EventName, float] = {"gun_opened": trace.opened_s, "gun_closed": trace.closed_s}
        for name, at_s in told.items():
            event = ControllerEvent(
                cell="north",
                event=name,
                t_s=at_s,
                arrived_s=at_s + late_s,
                event_id=name,
                from_arrival=untidy,
                gun="upper",
                purpose="shot",
                setup="impeller",
            )
            came.append((at_s + late_s, 0, event))
    windows: list[Window] = []
    for _, _, message in sorted(came, key=lambda one: one[:2]):
        windows += detector.reading(message) if isinstance(message, ScaleReading) else detector.event(message)
    return windows + detector.finish()
