"""Rows of the journal as values, and what of them the checksum and the chain cover."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, fields
from functools import cached_property
from typing import Any, TypeAlias

from agent.contract.inputs import AlarmCommand, ControllerEvent, Reply
from agent.contract.reading_back import record_of
from agent.contract.records import Record
from agent.journal.chain import checksum, content

Event: TypeAlias = ControllerEvent | Reply | AlarmCommand
"""What comes from outside and must not be lost."""

_EVENT_TYPES: dict[str, type[Event]] = {
    kind.__name__: kind for kind in (ControllerEvent, Reply, AlarmCommand)
}
_DELIVERY = frozenset({"arrived_s", "retained", "from_arrival"})
"""What may differ between two deliveries of the same event; `t_s` too where it stands for the arrival."""

RECORD_COLUMNS = (
    "r.seq, r.id, r.kind, r.cell, r.gun, r.at, r.point_ns, r.body, u.version, u.config, u.boot_id, "
    "r.monotonic_ns, r.wall_ns, r.time_trusted, r.evidence_sha, r.crc, r.hash, m.point_ns, t.seq IS NOT NULL"
)
RECORDS_FROM = (
    "records AS r LEFT JOIN runs AS u ON u.run = r.run LEFT JOIN mended AS m ON m.seq = r.seq "
    "LEFT JOIN untrusted AS t ON t.seq = r.seq"
)
EVENT_COLUMNS = (
    "r.seq, r.id, r.kind, r.cell, r.gun, r.t_ns, r.body, u.version, u.config, u.boot_id, "
    "r.monotonic_ns, r.wall_ns, r.time_trusted, r.crc, r.hash"
)
EVENTS_FROM = "events AS r LEFT JOIN runs AS u ON u.run = r.run"


@dataclass(frozen=True)
class Row:
    """One record as it stands in the journal."""

    seq: int
    """Its place in the journal, counted from 1 without gaps."""
    id: str
    kind: str
    cell: str
    gun: str | None
    at: str
    point_ns: int
    """Its time in the database as it was frozen when the row was written; `time_ns` is the one to send."""
    body: str
    """The record as one line of JSON, as it is published."""
    version: str
    config: str
    boot_id: str
    monotonic_ns: int
    wall_ns: int
    time_trusted: bool
    evidence_sha: bytes | None
    crc: int
    hash: bytes
    mended_ns: int | None = None
    """The time it was given once the clock could be trusted, where it was written before that."""
    held: bool = False
    """Written while the clock could not be trusted, and not mended yet."""

    @property
    def time_ns(self) -> int:
        """Its time in the database, epoch nanoseconds: unique, and the same however often it is sent."""
        return self.point_ns if self.mended_ns is None else self.mended_ns

    @property
    def said(self) -> tuple[Any, ...]:
        """What the checksum and the chain cover: everything but its place."""
        return (
            self.id,
            self.kind,
            self.cell,
            self.gun,
            self.at,
            self.point_ns,
            self.body,
            self.version,
            self.config,
            self.boot_id,
            self.monotonic_ns,
            self.wall_ns,
            int(self.time_trusted),
            self.evidence_sha,
        )

    def is_intact(self) -> bool:
        """Whether the row says what was written: its checksum fits."""
        return checksum(content(self.said)) == self.crc

    @cached_property
    def payload(self) -> dict[str, Any]:
        """The record as a JSON object."""
        body: dict[str, Any] = json.loads(self.body)
        return body

    def record(self) -> Record:
        """The record as a value. Raises KeyError or pydantic's ValidationError where it is none we know."""
        return record_of(self.payload)


@dataclass(frozen=True, slots=True)
class EventRow:
    """One event as it stands in the journal."""

    seq: int
    id: str
    kind: str
    cell: str
    gun: str | None
    t_ns: int
    body: str
    version: str
    config: str
    boot_id: str
    monotonic_ns: int
    wall_ns: int
    time_trusted: bool
    crc: int
    hash: bytes

    @property
    def said(self) -> tuple[Any, ...]:
        """What the checksum and the chain cover: everything but its place."""
        return (
            self.id,
            self.kind,
            self.cell,
            self.gun,
            self.t_ns,
            self.body,
            self.version,
            self.config,
            self.boot_id,
            self.monotonic_ns,
            self.wall_ns,
            int(self.time_trusted),
        )

    def is_intact(self) -> bool:
        """Whether the row says what was written: its checksum fits."""
        return checksum(content(self.said)) == self.crc

    def event(self) -> Event:
        """The event as a value."""
        body = json.loads(self.body)
        kind = _EVENT_TYPES[body.pop("type")]
        known = {member.name for member in fields(kind)}
        return kind(**{name: value for name, value in body.items() if name in known})


def event_key(event: Event) -> str:
    """What makes two deliveries the same event: ids are unique within a cell's controller."""
    if isinstance(event, ControllerEvent):
        return f"{event.cell}/event/{event.event_id}"
    if isinstance(event, Reply):
        return f"{event.cell}/reply/{event.request_id}"
    return f"{event.cell}/command/{event.name}/{event.command}/{event.arrived_s!r}"


def event_kind(event: Event) -> str:
    """The event's own name, `reply`, or the command."""
    if isinstance(event, ControllerEvent):
        return event.event
    return "reply" if isinstance(event, Reply) else event.command


def event_body(event: Event) -> str:
    """The event as one line of JSON; members that say nothing are left out."""
    said = {name: value for name, value in asdict(event).items() if value is not None and value is not False}
    if isinstance(event, Reply):
        said["accepted"] = event.accepted
    if isinstance(event, ControllerEvent) and event.ready is not None:
        said["ready"] = event.ready
    return json.dumps({"type": type(event).__name__, **said}, ensure_ascii=False, separators=(",", ":"))


def same_event(one: str, other: str) -> bool:
    """Whether two bodies tell the same event, however it was delivered."""

    def told(body: str) -> dict[str, Any]:
        members: dict[str, Any] = json.loads(body)
        left_out = _DELIVERY | ({"t_s"} if members.get("from_arrival") else set())
        return {name: value for name, value in members.items() if name not in left_out}

    first, second = told(one), told(other)
    if "t_s" not in first or "t_s" not in second:
        first.pop("t_s", None)
        second.pop("t_s", None)
    return first == second
