"""The MQTT outlet: tells the journal's records to the broker, in order, until the broker has taken each."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

from agent.contract.reading_back import record_of
from agent.contract.topics import Topics
from agent.outlets.mqtt_messages import message_of

OUTLET = "mqtt"
IN_FLIGHT = 100
"""Records published and not yet taken by the broker."""
REFUSED = 0x80


class OutboxRow(Protocol):
    """What the announcer needs of a journal's row."""

    @property
    def seq(self) -> int:
        """Place in the journal."""

    @property
    def body(self) -> dict[str, object]:
        """The record as a JSON object."""


class Outbox(Protocol):
    """What the announcer needs of the journal."""

    def pending(self, outlet: str, limit: int) -> Sequence[OutboxRow]:
        """The rows this outlet has not settled, oldest first."""

    def settle(self, outlet: str, seq: int) -> None:
        """Everything up to `seq` has been taken."""

    def set_aside(self, outlet: str, seq: int, why: str) -> None:
        """This row will not be taken by this outlet; keep it visible."""


@dataclass(slots=True)
class _Flight:
    seq: int
    mid: int
    taken: bool = False


class Announcer:
    """Publishes pending rows with QoS 1 and settles them in order as the broker takes them."""

    def __init__(
        self, outbox: Outbox, topics: Topics, publish: Callable[[str, bytes, bool], int | None]
    ) -> None:
        self._outbox = outbox
        self._topics = topics
        self._publish = publish
        self._flying: deque[_Flight] = deque()
        self._sent_to = 0
        self.refused = 0
        """Records the broker refused: its access list does not let the agent speak."""

    def line_lost(self) -> None:
        """The connection ended: what was not taken is published again on the next one."""
        self._flying.clear()
        self._sent_to = 0

    def step(self) -> int:
        """Publish what is pending and fits; returns how many were published."""
        room = IN_FLIGHT - len(self._flying)
        if room <= 0:
            return 0
        published = 0
        for row in self._outbox.pending(OUTLET, len(self._flying) + room):
            if row.seq <= self._sent_to:
                continue
            message = message_of(record_of(row.body), self._topics)
            mid = self._publish(message.topic, message.payload, message.retain)
            if mid is None:
                break
            self._flying.append(_Flight(row.seq, mid))
            self._sent_to = row.seq
            published += 1
        return published

    def taken(self, mid: int, reason: int) -> bool:
        """The broker answered for message `mid`; False where it refused it."""
        flight = next((flight for flight in self._flying if flight.mid == mid), None)
        if flight is None:
            return True
        flight.taken = True
        refused = reason >= REFUSED
        if refused:
            self.refused += 1
            self._outbox.set_aside(OUTLET, flight.seq, f"the broker refused it (reason {reason:#04x})")
        last = None
        while self._flying and self._flying[0].taken:
            last = self._flying.popleft().seq
        if last is not None:
            self._outbox.settle(OUTLET, last)
        return not refused
