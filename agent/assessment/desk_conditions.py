"""What other rooms tell the desk, and the alarms that follow from it alone."""

from __future__ import annotations

import math
import statistics
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from agent.assessment.alarms import AlarmPanel, Fault
from agent.assessment.alarms_one import Figure
from agent.assessment.alarms_states import beyond
from agent.contract.plan import Cell, Setup
from agent.contract.records import Alert

PRESSURE_DEADBAND_PCT = 2.0
"""Common practice for pressure (check-values section 6.1)."""
FINEST_PRESSURE_PCT = 3.0
"""No pot's regulator holds better: a smaller limit would call for nothing."""
VENTED = 0.1
"""Below this part of its setpoint the pot is vented on purpose: nothing sprays, nobody is called."""
LEAK_G_PER_S = 0.01
"""Mass that creeps onto a scale while its guns are closed: a drop every three seconds (common practice)."""
LEAK_DEADBAND_G_PER_S = 0.005
PAUSE_S = 300.0
"""A pressure or a leak that moves on is told again after so long at the earliest (choice of ours): two alerts
in ten minutes, where ten are called a flood (EEMUA 191).
"""
SETTLES_S = 30.0
"""A regulator that is set for another setup, and the pot behind it, take about so long (choice of ours)."""
PRESSURES = 600
USUAL_TEMPERATURES = 200


@dataclass(frozen=True, slots=True)
class Conditions:
    """Facts other rooms tell at a moment; what is left out did not change."""

    at_s: float
    scales: Mapping[str, bool] = field(default_factory=dict)
    """By scale: whether it speaks."""
    pot_pressure_bar: float | None = None
    fluid_c: float | None = None
    idle_slopes: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    """By scale: how its reading changes while all guns are closed, g/s, and its standard uncertainty."""
    faults: tuple[Fault, ...] = ()


@dataclass(slots=True)
class Around:
    """What is remembered of the conditions."""

    pressures: deque[tuple[float, float]] = field(default_factory=lambda: deque(maxlen=PRESSURES))
    set_at_s: float = -math.inf
    """When the regulator was last set for another setup."""
    temperatures: deque[float] = field(default_factory=lambda: deque(maxlen=USUAL_TEMPERATURES))
    fluid_c: float | None = None
    idle_slopes: dict[str, tuple[float, float]] = field(default_factory=dict)
    silent: dict[str, bool] = field(default_factory=dict)

    def pressure_bar(self) -> float | None:
        """The pot's latest pressure."""
        return self.pressures[-1][1] if self.pressures else None

    def pressure_over(self, seconds: float) -> list[tuple[float, float]]:
        """The pressures of the last so many seconds, (time, bar), since the regulator settled."""
        if not self.pressures:
            return []
        since_s = max(self.pressures[-1][0] - seconds, self.set_at_s + SETTLES_S)
        return [(at_s, bar) for at_s, bar in self.pressures if at_s >= since_s]

    def usual_c(self) -> float | None:
        """The usual temperature of the fluid at checks."""
        return statistics.median(self.temperatures) if self.temperatures else None


class ConditionWatch:
    """Remembers what is told of a cell and raises or ends the alarms that follow from it alone."""

    def __init__(self, cell: Cell, panel: AlarmPanel) -> None:
        self.around = Around()
        self._cell, self._panel = cell, panel

    def take(self, told: Conditions, setup: Setup | None, in_check: Callable[[str], bool]) -> list[Alert]:
        """Facts told at a moment. `setup` is the current one; `in_check` says whether a gun is in a check."""
        given: list[Alert] = []
        for scale in self._cell.scales:
            if scale.name in told.scales:
                given += self._scale(scale.name, told, in_check)
            if scale.name in told.idle_slopes:
                given += self._idle(scale.name, told)
        if told.pot_pressure_bar is not None:
            self.around.pressures.append((told.at_s, told.pot_pressure_bar))
            given += self.pressure_alarm(told.at_s, setup)
        if told.fluid_c is not None:
            self.around.fluid_c = told.fluid_c
        for fault in told.faults:
            given += self._panel.fault(fault, told.at_s)
        return given

    def silent_scales(self) -> list[str]:
        """The scales that say nothing."""
        return sorted(name for name, silent in self.around.silent.items() if silent)

    def pressure_alarm(self, at_s: float, setup: Setup | None) -> list[Alert]:
        """The pot's pressure against the setup's: a deviation that takes half of the flow's tolerance.

        Flow follows the square root of the pressure, so a pressure off by as many percent as the tolerance
        takes half of it.
        """
        name, pressure = "pressure-off-setpoint", self.around.pressure_bar()
        setpoint = setup.pot_pressure_bar if setup is not None else None
        if pressure is None or not setpoint or setup is None or pressure < VENTED * setpoint:
            return self._panel.report(name, False, at_s)
        off_pct = 100 * (pressure / setpoint - 1)
        limit = max(setup.tolerance_pct, FINEST_PRESSURE_PCT)
        side = "above" if off_pct > 0 else "below"
        text = (
            f"pot pressure {pressure:.2f} bar is {abs(off_pct):.0f} % {side} "
            f"the {setpoint:g} bar of {setup.name}"
        )
        deadband = min(PRESSURE_DEADBAND_PCT, limit / 2)
        was = self._panel.condition(name)
        figure = Figure(off_pct, PRESSURE_DEADBAND_PCT, PAUSE_S)
        off = beyond(abs(off_pct), limit, deadband, was)
        return self._panel.report(name, off, at_s, text, side, figure=figure)

    def _scale(self, scale: str, told: Conditions, in_check: Callable[[str], bool]) -> list[Alert]:
        silent = self.around.silent[scale] = not told.scales[scale]
        if silent == self._panel.condition(f"scale-silent-{scale}"):
            return []
        if not silent:
            return self._panel.report(f"scale-silent-{scale}", False, told.at_s)
        cut = [gun for gun in self._cell.guns_on(scale) if in_check(gun)]
        # Told so that it stays true while the alarm stands, after the check has ended.
        during = f"; it fell silent in the middle of the check of {' and '.join(cut)}" if cut else ""
        text = f"scale {scale} sends no readings{during}"
        return self._panel.report(f"scale-silent-{scale}", True, told.at_s, text)

    def _idle(self, scale: str, told: Conditions) -> list[Alert]:
        slope, u = self.around.idle_slopes[scale] = told.idle_slopes[scale]
        guns = " or ".join(self._cell.guns_on(scale))
        text = f"scale {scale} gains {60 * slope:.2f} g/min with all guns closed: {guns} does not close"
        name = f"leaking-{scale}"
        sure = slope if slope > 2 * u else 0.0
        leaks = beyond(sure, LEAK_G_PER_S, LEAK_DEADBAND_G_PER_S, self._panel.condition(name))
        figure = Figure(slope, LEAK_DEADBAND_G_PER_S, PAUSE_S)
        return self._panel.report(name, leaks, told.at_s, text, figure=figure)
