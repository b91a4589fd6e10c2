"""The MQTT outlet: tells the journal's records to the broker, in order, until the broker has taken each."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Generic, Protocol, TypeVar

from agent.contract.records import Record
from agent.contract.topics import Topics
from agent.outlets.mqtt_messages import Message, message_of

OUTLET = "mqtt"
IN_FLIGHT = 100
"""Records published and not yet taken by the broker."""
REFUSED = 0x80


class OutboxRow(Protocol):
    """What the announcer needs of a journal's row."""

    @property
    def seq(self) -> int:
        """Place in the journal."""

    def record(self) -> Record:
        """The record that the row holds."""


RowT = TypeVar("RowT", bound=OutboxRow)


class Outbox(Protocol[RowT]):
    """What the announcer needs of the journal: one outlet's view of it."""

    def pending(self, limit: int, *, after_seq: int = 0) -> Sequence[RowT]:
        """The rows this outlet has not settled, oldest first."""

    def settle_rows(self, rows: Sequence[RowT]) -> None:
        """These rows have been taken."""

    def set_aside(self, row: RowT, why: str) -> None:
        """This row will not be taken by this outlet; keep it visible."""


@dataclass(slots=True)
class _Flight(Generic[RowT]):
    row: RowT
    mid: int
    taken: bool = False


class Announcer(Generic[RowT]):
    """Publishes pending rows with QoS 1 and settles them in order as the broker takes them."""

    def __init__(
        self, outbox: Outbox[RowT], topics: Topics, publish: Callable[[str, bytes, bool], int | None]
    ) -> None:
        self._outbox = outbox
        self._topics = topics
        self._publish = publish
        self._flying: deque[_Flight[RowT]] = deque()
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
        for row in self._outbox.pending(room, after_seq=self._sent_to):
            message = self._message(row)
            if message is None:
                continue
            mid = self._publish(message.topic, message.payload, message.retain)
            if mid is None:
                break
            self._flying.append(_Flight(row, mid))
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
            self._outbox.set_aside(flight.row, f"the broker refused it (reason {reason:#04x})")
        done: list[RowT] = []
        while self._flying and self._flying[0].taken:
            done.append(self._flying.popleft().row)
        if done:
            self._outbox.settle_rows(done)
        return not refused

    def _message(self, row: RowT) -> Message | None:
        try:
            return message_of(row.record(), self._topics)
        except (KeyError, TypeError, ValueError) as fault:
            # A row of another version, say: it must not hold up the others.
            self._outbox.set_aside(row, f"it cannot be told: {fault}")
            return None
