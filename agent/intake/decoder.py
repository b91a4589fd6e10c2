"""Raw messages become inputs: which topic is whose, and how its payload reads."""

from __future__ import annotations

from typing import Protocol

from agent.contract.inputs import Input, RawMessage, Undecodable
from agent.contract.plan import Cell, InputRoute, Plan
from agent.contract.topics import Topics
from agent.intake.answers import Replies, read_command
from agent.intake.events import Events
from agent.intake.foreign import Translator
from agent.intake.measurements import Pressures, Readings, Temperatures
from agent.intake.refused import Refused, shown

LONGEST_ALARM_NAME = 128
OWN = "agent"
"""The name under which the agent's own alarms are commanded; no cell may have it."""


class Reader(Protocol):
    """Reads the payloads of one topic."""

    def read(self, raw: RawMessage) -> Input | None:
        """The input in a message, None where it means nothing to the agent. Raises Refused."""
        ...


class Several:
    """Several readers of one topic: a foreign controller may put everything it knows into one object."""

    def __init__(self, readers: tuple[Reader, ...]) -> None:
        self.readers = readers

    def read(self, raw: RawMessage) -> tuple[Input, ...]:
        """Every input that the message holds. Raises Refused where no reader can use it."""
        found: list[Input] = []
        refused: Refused | None = None
        for reader in self.readers:
            try:
                item = reader.read(raw)
            except Refused as fault:
                refused = refused or fault
                continue
            if item is not None:
                found.append(item)
        if refused is not None and not found:
            raise refused
        return tuple(found)


class Decoder:
    """Decodes the messages of one site. Never raises: what cannot be used comes back as Undecodable."""

    def __init__(self, plan: Plan) -> None:
        self._topics = Topics(plan.root)
        self._prefix = plan.root + "/"
        self._cells = {cell.name for cell in plan.cells}
        self._scales = {cell.name: [scale.name for scale in cell.scales] for cell in plan.cells}
        self._own_topics = {
            (cell.name, route.scale): route.topic
            for cell in plan.cells
            for route in cell.inputs
            if route.kind == "reading"
        }
        self._readers: dict[str, Reader | Several] = {}
        self._filters: dict[str, int] = {}
        self._reading_filters: set[str] = set()
        for cell in plan.cells:
            self._add(cell)
        # The agent's own alarms stand where a cell's would.
        self._filters.setdefault(self._topics.alarm_command(OWN, "+"), 1)

    def decode(self, raw: RawMessage) -> Input | tuple[Input, ...] | Undecodable | None:
        """The input in a message; Undecodable where it is wrong; None where it is not for us.

        A tuple comes only from a topic that the configuration gives to several inputs.
        """
        reader = self._readers.get(raw.topic)
        try:
            return reader.read(raw) if reader is not None else self._elsewhere(raw)
        except Refused as refused:
            return Undecodable(raw.topic, raw.arrived_s, refused.fault, refused.code)

    def filters(self, readings_qos: int = 0) -> list[tuple[str, int]]:
        """The topic filters to subscribe to, each with its QoS.

        Readings are asked for at QoS 0 by default: the broker's queue for an agent that is away has room for
        a thousand messages or so, and events must not be pushed out of it by readings. A topic that readings
        share with events keeps the QoS of events.
        """
        return [
            (topic, max(qos, readings_qos) if topic in self._reading_filters else qos)
            for topic, qos in self._filters.items()
        ]

    def cell_of(self, topic: str) -> str | None:
        """The configured cell whose own topic this is, or None."""
        cell = topic.removeprefix(self._prefix).partition("/")[0]
        return cell if topic.startswith(self._prefix) and cell in self._cells else None

    def _put(self, topic: str, reader: Reader) -> None:
        there = self._readers.get(topic)
        if there is None:
            self._readers[topic] = reader
        else:
            others = there.readers if isinstance(there, Several) else (there,)
            self._readers[topic] = Several((*others, reader))

    def _add(self, cell: Cell) -> None:
        topics, name = self._topics, cell.name
        own = {(route.kind, route.scale): route for route in cell.inputs}
        for scale in cell.scales:
            route = own.get(("reading", scale.name))
            topic = route.topic if route else topics.reading(name, scale.name)
            self._put(topic, Readings(name, scale, _translator(route)))
            # One filter for the contract's topics, so that a scale nobody configured is noticed.
            contract = topic == topics.reading(name, scale.name)
            wanted = topics.reading(name, "+") if contract else topic
            self._filters.setdefault(wanted, 0)
            self._reading_filters.add(wanted)
        self._route(own.get(("pressure", None)), topics.pressure(name), Pressures, name, qos=0)
        self._route(own.get(("temperature", None)), topics.temperature(name), Temperatures, name, qos=0)
        if cell.has_controller:
            route = own.get(("event", None))
            topic = route.topic if route else topics.event(name)
            self._put(topic, Events(cell, _translator(route)))
            self._filters[topic] = 1
            self._route(own.get(("reply", None)), topics.reply(name), Replies, name, qos=1)
        self._filters.setdefault(topics.alarm_command(name, "+"), 1)

    def _route(
        self,
        route: InputRoute | None,
        contract_topic: str,
        reader: type[Pressures | Temperatures | Replies],
        cell: str,
        *,
        qos: int,
    ) -> None:
        topic = route.topic if route else contract_topic
        self._put(topic, reader(cell, _translator(route)))
        self._filters[topic] = max(qos, self._filters.get(topic, 0))

    def _elsewhere(self, raw: RawMessage) -> Input | None:
        """A topic that no reader has: an alarm's command, somebody else's, or a name nobody configured."""
        if not raw.topic.startswith(self._prefix):
            return None
        cell, *levels = raw.topic[len(self._prefix) :].split("/")
        match levels:
            case ["alert", alarm, "command"]:
                if cell != OWN:
                    self._known(cell)
                if not 0 < len(alarm) <= LONGEST_ALARM_NAME:
                    raise Refused("out_of_range", "the alarm's name is empty or too long")
                return read_command(raw, cell, alarm)
            case ["scale", scale, "reading"]:
                self._known(cell)
                raise self._no_reading_here(cell, scale)
            case ["controller", "event"] | ["pot", "pressure"] | ["fluid", "temperature"] | ["reply"]:
                self._known(cell)
        return None

    def _no_reading_here(self, cell: str, scale: str) -> Refused:
        """Why nobody reads this scale's topic: nobody configured it, or it is to speak elsewhere."""
        elsewhere = self._own_topics.get((cell, scale))
        if elsewhere is not None:
            return Refused(
                "wrong_topic",
                f"scale {shown(scale)} of cell {shown(cell)} is configured to speak on {shown(elsewhere)}: "
                "publish there, or take `topic` out of its table to have it read here",
            )
        known = ", ".join(sorted(self._scales[cell])) or "none"
        return Refused(
            "unknown_scale",
            f"cell {shown(cell)} has no scale {shown(scale)}, its scales are: {known}; mend the topic, or "
            "add a [[cells.scales]] table",
        )

    def _known(self, cell: str) -> None:
        if cell not in self._cells:
            raise Refused("unknown_cell", f"there is no cell {shown(cell)} in the configuration")


def _translator(route: InputRoute | None) -> Translator | None:
    return Translator(route) if route is not None else None
