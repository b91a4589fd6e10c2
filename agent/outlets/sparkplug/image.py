"""What SCADA sees of the agent and of each cell: every metric there is, and its newest value.

A metric is known from the configuration alone, so that a birth certificate names all that will ever be told;
one with no value yet is told as a null.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from agent.assessment.alarms_table import CELL_ALARMS, alarm_name
from agent.assessment.alarms_table_agent import AGENT_ALARMS
from agent.contract.plan import Cell, Plan
from agent.contract.records import Record
from agent.contract.times import epoch_s
from agent.outlets.sparkplug.payloads import DataType, Metric, Value
from agent.outlets.sparkplug.telling import ALARM, CELL, GUN, Kind, told

AGENT_CELL = "agent"
"""The cell name under which the agent's own alarms are told; they are the node's own metrics."""
NODE = ""
"""The key of the node itself among the devices."""


@dataclass(slots=True)
class _Held:
    kind: Kind
    value: Value
    at_ms: int


class Image:
    """The newest values by device and metric. The node itself is the device ``""``."""

    def __init__(self, plan: Plan, version: str, now_ms: int) -> None:
        self._held: dict[str, dict[str, _Held]] = {NODE: {}}
        self._expect(NODE, [("Properties/Agent", Kind(DataType.STRING)), *_alarms(_agent_alarms())], now_ms)
        self._expect(NODE, [("Properties/Version", Kind(DataType.STRING))], now_ms)
        self._held[NODE]["Properties/Agent"].value = plan.agent
        self._held[NODE]["Properties/Version"].value = version
        for cell in plan.cells:
            self._held[cell.name] = {}
            self._expect(cell.name, _metrics_of(cell), now_ms)

    @property
    def devices(self) -> list[str]:
        """The cells, in the configuration's order."""
        return [name for name in self._held if name != NODE]

    def take(self, record: Record) -> None:
        """Take the record's values as the newest ones."""
        for device, metric in self.changes(record):
            held = self._held[device][metric.name]
            held.value, held.at_ms = metric.value, metric.at_ms

    def changes(self, record: Record, *, historical: bool = False) -> Iterator[tuple[str, Metric]]:
        """(device, metric) of what a record tells; nothing of a cell or gun that is not configured."""
        device = NODE if record.cell == AGENT_CELL else record.cell
        known = self._held.get(device, {})
        at_ms = round(epoch_s(record.at) * 1000)
        for name, value in told(record):
            held = known.get(name)
            if held is not None:
                kind = held.kind
                yield device, Metric(name, kind.datatype, value, at_ms, kind.unit, historical)

    def all_of(self, device: str) -> list[Metric]:
        """Every metric of a device with its newest value, for a birth."""
        return [
            Metric(name, held.kind.datatype, held.value, held.at_ms, held.kind.unit)
            for name, held in self._held[device].items()
        ]

    def _expect(self, device: str, metrics: Iterable[tuple[str, Kind]], now_ms: int) -> None:
        for name, kind in metrics:
            self._held[device][name] = _Held(kind, None, now_ms)


def _metrics_of(cell: Cell) -> Iterator[tuple[str, Kind]]:
    yield from CELL.items()
    for gun in cell.guns:
        for name, kind in GUN.items():
            # What one unit of the knob is, every gun says for itself.
            unit = gun.needle.unit if kind.unit == "knob" else kind.unit
            yield f"Guns/{gun.name}/{name}", Kind(kind.datatype, unit)
    subjects = {
        "cell": [""],
        "gun": [gun.name for gun in cell.guns],
        "scale": [scale.name for scale in cell.scales],
    }
    yield from _alarms(alarm_name(kind, subject) for kind in CELL_ALARMS for subject in subjects[kind.of])


def _agent_alarms() -> list[str]:
    return [alarm_name(kind, "") for kind in AGENT_ALARMS]


def _alarms(names: Iterable[str]) -> Iterator[tuple[str, Kind]]:
    for name in names:
        for member, kind in ALARM.items():
            yield f"Alarms/{name}/{member}", kind
