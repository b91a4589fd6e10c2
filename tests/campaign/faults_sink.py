"""The database is down, loses its replies, is overloaded, rejects one point, or knows the agent no longer."""

from __future__ import annotations

import time

from rows import Report, Row
from world import World


def down(world: World, report: Report, seconds: float) -> Row:
    """An outage, and a backlog that drains while what happens now is not late."""
    row = Row("10", f"database down ({seconds:.0f} s)", injected=1)
    assert world.sink is not None
    world.sink.mode = "down"
    world.oracle.ask("set", mode="shots", events_per_s=5)
    # An outage is noticed when there is something to send.
    world.online(20.0)
    began = time.monotonic()
    row.alarmed("sink-down", world.alarm("sink-down", began))
    time.sleep(max(0.0, began + seconds - time.monotonic()))
    world.oracle.ask("set", mode="rest", events_per_s=0)
    refused = world.sink.seen["refused"]
    world.sink.mode = "pass"
    back = time.monotonic()
    ended_s = world.alarm("sink-down", back, state="RTNUN")
    row.expect("P7-alarmed", ended_s is not None, "its end was not told")
    row.audited(found := world.audit(), world.verify())
    row.recovered(time.monotonic() - back - (ended_s or 0.0))
    row.recovered_s = ended_s
    row.note = f"{refused} connections refused, {found['records']} records arrived; the alarm waits 60 s"
    report.bites["repeated write"] += refused
    row.expect("P14-it-bit", refused > 0, "nothing was refused")
    return row


def lost_replies(world: World, report: Report, seconds: float) -> Row:
    """The point is stored and the answer never comes: sent again, it is the same point."""
    row = Row("11", "reply lost after the write")
    assert world.sink is not None
    world.sink.mode = "lose-reply"
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        world.online(10.0)
        time.sleep(0.5)
    row.injected = world.sink.seen["replies lost"]
    world.sink.mode = "pass"
    back = time.monotonic()
    row.audited(world.audit(), world.verify())
    row.recovered(time.monotonic() - back)
    report.bites["repeated write"] += row.injected
    row.expect("P14-it-bit", row.injected > 0, "no reply was lost")
    return row


def overloaded(world: World, report: Report, seconds: float) -> Row:
    """Two calls of three are told to come back later."""
    row = Row("12", "503 with Retry-After, 2 of 3 calls")
    assert world.sink is not None
    world.sink.status, world.sink.headers = 503, {"Retry-After": "1"}
    world.sink.mode = "flaky"
    began = time.monotonic()
    until = began + seconds
    while time.monotonic() < until:
        world.online(10.0)
        time.sleep(0.2)
    row.injected = world.sink.seen["answered 503"]
    row.alarmed("sink-degraded", world.alarm("sink-degraded", began))
    row.note = "the alarm waits 60 s by its table"
    world.sink.mode, world.sink.headers = "pass", {}
    back = time.monotonic()
    row.audited(world.audit(), world.verify())
    row.recovered(time.monotonic() - back)
    report.bites["repeated write"] += row.injected
    row.expect("P14-it-bit", row.injected > 0, "nothing was put off")
    return row


def poison_point(world: World, report: Report) -> Row:
    """One record that the database will never take, among others."""
    row = Row("13", "one point rejected (400)")
    assert world.sink is not None
    picked: list[bytes] = []

    def rule(_path: str, body: bytes) -> tuple[int, dict[str, str], bytes] | None:
        lines = [line for line in body.splitlines() if line.startswith(b"release")]
        if not picked and lines:
            picked.append(lines[-1])
        return (400, {}, b"will not take it") if picked and picked[0] in body else None

    world.sink.rule = rule
    began = time.monotonic()
    for _ in range(4):
        world.online(10.0)
    row.alarmed("point-rejected", world.alarm("point-rejected", began))
    row.injected = world.sink.seen["answered 400"]
    world.sink.rule = None
    back = time.monotonic()
    row.audited(world.audit(), world.verify())
    row.recovered(time.monotonic() - back)
    row.note = "the row is kept in the journal, set aside with the reason"
    row.expect("P14-it-bit", row.injected > 0, "nothing was rejected")
    return row


def unknown_token(world: World, report: Report) -> Row:
    """401: nothing is thrown away, and the token is tried again."""
    row = Row("14", "token revoked (401)")
    assert world.sink is not None
    world.sink.status, world.sink.mode = 401, "status"
    began = time.monotonic()
    world.online(10.0)
    row.alarmed("sink-auth", world.alarm("sink-auth", began))
    row.injected = world.sink.seen["answered 401"]
    world.sink.mode = "pass"
    back = time.monotonic()
    ended_s = world.alarm("sink-auth", back, state="RTNUN")
    row.expect("P7-alarmed", ended_s is not None, "its end was not told")
    row.audited(world.audit(), world.verify())
    row.recovered(time.monotonic() - back)
    report.bites["repeated write"] += row.injected
    return row
