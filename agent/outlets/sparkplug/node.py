"""The edge node's own side of Sparkplug B: topics, sequence numbers, birth and death certificates.

Pure: it makes messages, somebody else sends them in the order in which they were made. The numbers in
brackets are the specification's normative ids (Eclipse Sparkplug 3.0).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from agent.broker.client import Message
from agent.outlets.sparkplug.image import NODE, Image
from agent.outlets.sparkplug.payloads import REBIRTH, DataType, Metric, encoded

NAMESPACE = "spBv1.0"
BD_SEQ = "bdSeq"
NUMBERS = 256
"""Sequence numbers and birth/death numbers run from 0 to 255 and begin anew."""


@dataclass(slots=True)
class EdgeNode:
    """Makes the messages of one edge node. `bd_seq` is the number of the present connection."""

    group: str
    edge: str
    image: Image
    bd_seq: int = 0
    _next_seq: int = 0

    def topic(self, kind: str, device: str = NODE) -> str:
        """The topic of a kind of message (NBIRTH, DDATA, ...)."""
        levels = (NAMESPACE, self.group, kind, self.edge, *([device] if device != NODE else []))
        return "/".join(levels)

    @property
    def commands(self) -> str:
        """Where the node is told what to do: only a rebirth is heeded. Cells take no commands this way."""
        return self.topic("NCMD")

    def death(self, now_ms: int) -> Message:
        """The node's death certificate: the will, and the farewell (payloads-ndeath-*): no `seq` in it."""
        payload = encoded([self._bd_seq(now_ms)], at_ms=now_ms, seq=None)
        return Message(self.topic("NDEATH"), payload, qos=1, retain=False)

    def births(self, now_ms: int) -> list[Message]:
        """The node's birth certificate and one for each cell; sequence numbers begin at 0 again."""
        self._next_seq = 0
        rebirth = Metric(REBIRTH, DataType.BOOLEAN, False, now_ms)
        own = [self._bd_seq(now_ms), rebirth, *self.image.all_of(NODE)]
        node = self._say("NBIRTH", NODE, own, now_ms, birth=True)
        return [
            node,
            *[
                self._say("DBIRTH", device, self.image.all_of(device), now_ms, birth=True)
                for device in self.image.devices
            ],
        ]

    def data(self, device: str, metrics: Iterable[Metric], now_ms: int) -> Message:
        """What changed in a cell, or in the node itself."""
        return self._say("NDATA" if device == NODE else "DDATA", device, metrics, now_ms)

    def farewell(self, now_ms: int) -> list[Message]:
        """What is said before leaving as asked: the cells' death certificates, then the node's."""
        deaths = [self._say("DDEATH", device, [], now_ms) for device in self.image.devices]
        return [*deaths, self.death(now_ms)]

    def _bd_seq(self, now_ms: int) -> Metric:
        return Metric(BD_SEQ, DataType.INT64, self.bd_seq, now_ms)

    def _say(
        self, kind: str, device: str, metrics: Iterable[Metric], now_ms: int, *, birth: bool = False
    ) -> Message:
        seq, self._next_seq = self._next_seq, (self._next_seq + 1) % NUMBERS
        payload = encoded(metrics, at_ms=now_ms, seq=seq, birth=birth)
        return Message(self.topic(kind, device), payload, qos=0, retain=False)
