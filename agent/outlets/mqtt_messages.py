"""Records as MQTT messages: which topic, which payload, retained or not."""

from __future__ import annotations

from dataclasses import dataclass

from agent.contract.record_json import to_json
from agent.contract.records import (
    Advice,
    Alert,
    Balance,
    Cause,
    Check,
    Dispense,
    Record,
    Release,
    Request,
    Wear,
)
from agent.contract.topics import Topics


@dataclass(frozen=True, slots=True)
class Message:
    """One message to publish, with QoS 1."""

    topic: str
    payload: bytes
    retain: bool


def message_of(record: Record, topics: Topics) -> Message:
    """The message that tells a record. Raises TypeError for a kind that has no topic.

    An alarm that is gone for good is told by an empty retained payload, which takes the old one away.
    """
    body = to_json(record).encode()
    match record:
        case Dispense():
            return Message(topics.dispense(record.cell), body, retain=False)
        case Check():
            return Message(topics.check(record.cell, record.gun), body, retain=True)
        case Balance():
            return Message(topics.balance(record.cell), body, retain=True)
        case Wear():
            return Message(topics.wear(record.cell, record.gun), body, retain=True)
        case Advice():
            return Message(topics.advice(record.cell, record.gun), body, retain=True)
        case Cause():
            return Message(topics.cause(record.cell), body, retain=True)
        case Release():
            return Message(topics.release(record.cell), body, retain=True)
        case Alert():
            gone = record.state == "NORM"
            return Message(topics.alert(record.cell, record.name), b"" if gone else body, retain=True)
        case Request():
            return Message(topics.request(record.cell), body, retain=False)
        case _:
            raise TypeError(f"no topic for a record of kind {record.record!r}")
