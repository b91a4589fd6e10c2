"""The MQTT outlet: in order, each until taken, and again after the line was lost."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from agent.contract.records import Alert, Record, Release
from agent.contract.topics import Topics
from agent.outlets.announcer import IN_FLIGHT, Announcer
from agent.outlets.mqtt_messages import message_of

AT = "2026-05-04T04:00:00.000Z"


def release(number: int) -> Release:
    return Release(
        id=f"release-{number}", cell="dock", at=AT, setup="hull", state="held", reasons=(), valid_until=None
    )


@dataclass
class Row:
    seq: int
    body: Record

    def record(self) -> Record:
        return self.body


@dataclass
class ListOutbox:
    """One outlet's view of a journal, over a plain list."""

    rows: list[Row] = field(default_factory=list)
    settled: list[int] = field(default_factory=list)
    aside: list[tuple[int, str]] = field(default_factory=list)

    def add(self, record: Record) -> None:
        self.rows.append(Row(len(self.rows) + 1, record))

    def pending(self, limit: int, *, after_seq: int = 0) -> list[Row]:
        done = {*self.settled, *(seq for seq, _ in self.aside)}
        return [row for row in self.rows if row.seq not in done and row.seq > after_seq][:limit]

    def settle_rows(self, rows: Sequence[Row]) -> None:
        self.settled += [row.seq for row in rows]

    def set_aside(self, row: Row, why: str) -> None:
        self.aside.append((row.seq, why))


@dataclass
class Line:
    """A broker line that counts message numbers."""

    open: bool = True
    sent: list[tuple[str, bytes, bool]] = field(default_factory=list)

    def publish(self, topic: str, body: bytes, retain: bool) -> int | None:
        if not self.open:
            return None
        self.sent.append((topic, body, retain))
        return len(self.sent)


def announcer(count: int) -> tuple[Announcer[Row], ListOutbox, Line]:
    outbox, line = ListOutbox(), Line()
    for number in range(count):
        outbox.add(release(number))
    return Announcer(outbox, Topics("yard"), line.publish), outbox, line


def test_rows_are_settled_in_order_as_the_broker_takes_them() -> None:
    teller, outbox, line = announcer(3)
    assert teller.step() == 3
    assert teller.step() == 0
    teller.taken(2, 0)
    assert outbox.settled == []
    teller.taken(1, 0)
    assert outbox.settled == [1, 2]
    teller.taken(3, 0)
    assert outbox.settled == [1, 2, 3]
    assert [topic for topic, _, _ in line.sent] == ["yard/dock/flow/release"] * 3


def test_what_was_not_taken_is_told_again_on_the_next_line() -> None:
    teller, outbox, line = announcer(2)
    teller.step()
    teller.taken(1, 0)
    teller.line_lost()
    assert teller.step() == 1
    assert line.sent[2][1] == line.sent[1][1]
    teller.taken(3, 0)
    assert outbox.settled == [1, 2]


def test_a_closed_line_takes_nothing_and_loses_nothing() -> None:
    teller, outbox, line = announcer(1)
    line.open = False
    assert teller.step() == 0
    line.open = True
    assert teller.step() == 1
    assert outbox.settled == []


def test_no_more_than_so_many_are_in_flight() -> None:
    teller, _, line = announcer(IN_FLIGHT + 50)
    assert teller.step() == IN_FLIGHT
    assert teller.step() == 0
    teller.taken(1, 0)
    assert teller.step() == 1
    assert len(line.sent) == IN_FLIGHT + 1


def test_a_refused_row_is_set_aside_with_the_reason() -> None:
    teller, outbox, _ = announcer(1)
    teller.step()
    assert teller.taken(1, 0x87) is False
    assert outbox.aside == [(1, "the broker refused it (reason 0x87)")]
    assert outbox.settled == [1]
    assert teller.refused == 1


def test_an_alarm_that_is_gone_for_good_takes_its_retained_message_away() -> None:
    def alert(state: str) -> Alert:
        return Alert(
            id="alert-1",
            cell="dock",
            at=AT,
            name="unbalanced",
            state=state,  # type: ignore[arg-type]
            priority="high",
            since=AT,
            text="t",
            consequence="c",
            action="a",
        )

    assert message_of(alert("NORM"), Topics("yard")).payload == b""
    told = message_of(alert("UNACK"), Topics("yard"))
    assert (told.topic, told.retain) == ("yard/dock/alert/unbalanced", True)
    assert b'"state":"UNACK"' in told.payload
