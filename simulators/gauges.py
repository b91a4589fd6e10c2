"""The pot's pressure gauge and the fluid's thermometer, as they speak on MQTT."""

from __future__ import annotations

import numpy as np

from agent.contract.topics import Topics
from simulators.interlocks import Manners
from simulators.messages import Message, json_bytes, time_member
from simulators.station import Surroundings

LATE_S = 0.004
"""From the measurement to the broker."""


class Gauges:
    """Tell pressure and temperature at their intervals; on the controller's clock, in its form of time."""

    def __init__(self, topics: Topics, cell: str, start_s: float, around: Surroundings) -> None:
        self._pressure_topic = topics.pressure(cell)
        self._temperature_topic = topics.temperature(cell)
        self._start_s = start_s
        self._around = around
        self._next_pressure = self._next_temperature = 0.0

    def advance(self, until: float, manners: Manners, *, attended: bool) -> list[Message]:
        """What is told up to this time of the cell."""
        around = self._around
        said: list[Message] = []
        every_s = around.pressure_every_s if attended else around.idle_pressure_every_s
        while every_s > 0.0 and self._next_pressure <= until:
            at = self._next_pressure
            bar = float(around.pot.pressure_bar(np.array([at]))[0])
            said.append(self._message(self._pressure_topic, round(bar, 4), "bar", (at, manners)))
            self._next_pressure += every_s
        while around.temperature_every_s > 0.0 and self._next_temperature <= until:
            at = self._next_temperature
            said.append(self._message(self._temperature_topic, round(around.celsius, 2), "C", (at, manners)))
            self._next_temperature += around.temperature_every_s
        return said

    def _message(self, topic: str, value: float, unit: str, when: tuple[float, Manners]) -> Message:
        at, manners = when
        stamp = time_member(self._start_s + at + manners.clock_offset_s, manners.t_form)
        return Message(
            self._start_s + at + LATE_S, topic, json_bytes({"value": value, "unit": unit, **stamp})
        )
