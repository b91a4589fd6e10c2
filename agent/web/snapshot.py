"""How the agent stands at one moment, as frozen values that any thread may read."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from agent.assessment.alarms_one import AlarmStanding
from agent.assessment.desk_status import DeskStatus
from agent.detection.status import ScaleStatus


@dataclass(frozen=True, slots=True)
class LiveCurve:
    """The last readings of a scale, thinned out for a small picture."""

    scale: str
    t_s: tuple[float, ...]
    """Seconds before the last reading: 0 and below, rising."""
    mass_g: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class CellSnapshot:
    """How a cell stands."""

    name: str
    desk: DeskStatus
    scales: tuple[ScaleStatus, ...]
    speaking: Mapping[str, bool]
    """By scale: whether it speaks."""
    open_guns: tuple[str, ...]
    curves: tuple[LiveCurve, ...] = ()
    """Filled while somebody looks."""


@dataclass(frozen=True, slots=True)
class Counts:
    """What was counted since the start."""

    messages: Mapping[tuple[str, str], int] = field(default_factory=dict)
    """By cell and kind: `reading`, `event`, `pressure`, `temperature`, `reply`, `command`."""
    refused: Mapping[str, int] = field(default_factory=dict)
    """Messages that could not be used, by the code of their fault."""
    shots: Mapping[tuple[str, str, str], int] = field(default_factory=dict)
    """Dispenses by cell, purpose and quality."""
    records: Mapping[str, int] = field(default_factory=dict)
    """Records by kind."""
    fits: tuple[int, ...] = ()
    """Fits by how long they took: one number for each bound of `FIT_BOUNDS_S`, and one for longer."""
    fit_sum_s: float = 0.0


FIT_BOUNDS_S = (0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5)
"""Upper bounds of the classes of fit time, seconds."""


@dataclass(frozen=True, slots=True)
class Snapshot:
    """How the whole agent stands. Times are epoch seconds of the agent's clock."""

    at_s: float
    cells: tuple[CellSnapshot, ...]
    own_alarms: tuple[AlarmStanding, ...]
    """Alarms of the agent itself."""
    counts: Counts
    troubles: tuple[str, ...]
    """Names of what holds at the rim: `broker-lost`, `sink-down`, `disk-full` and the like."""
    connected: bool
    """Whether the broker is there."""
    mqtt_version: str
    waiting: int
    """Messages that wait for the worker."""
    shed: int
    """Readings dropped because the worker could not keep up."""
    last_message_s: float | None
