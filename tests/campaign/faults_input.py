"""Rubbish, floods and storms at the agent's own topics."""

from __future__ import annotations

import json
import time

from rows import Report, Row
from world import World

READING = "yard/booth-2/scale/bench/reading"
EVENT = "yard/booth-2/controller/event"
BOUND_MB = 256.0
PADDING = 300
"""Bytes: 30 readings a second of such a length are more than 64 kbit/s."""
RUBBISH = [
    "", "null", "[]", "{}", "NaN", "Infinity", "-1e400", "1e300", "true", '"x"', "{",
    '{"value":', "\x00\x01\x02",
    "\udcff\udcfe", '{"value": "12 g"}', '{"value": NaN}', '{"value": 1e308, "unit": "kg"}',
    '{"value": 1, "unit": "st"}',
    '{"value": 5, "t": "yesterday"}', '{"value": 5, "t": -1e18}', '{"value": 5, "seq": "a"}',
    '{"value": [1]}',
    "[" * 5000, '{"a":' * 2000, '{"value": "1' + " " * 60_000 + '"}',
    "9" * 5000, "x" * 100_000, "y" * 1_000_000,
]  # fmt: skip
RUBBISH_EVENTS = [
    '{"event": 7, "id": "r1"}', '{"event": "explode", "id": "r2"}',
    '{"event": "needle_set", "id": "r4", "setting": "far"}',
    '{"event": "needle_set", "id": {"a": 1}, "setting": 1}',
    '{"event": "part_changed", "id": "r5", "part": "wheel"}',
]  # fmt: skip


def malformed(world: World, _report: Report, rounds: int) -> Row:
    """Everything that is no message, while real shots go on."""
    row = Row("21", "malformed, oversized, NaN, bad UTF-8, stale")
    world.oracle.ask("set", mode="shots")
    time.sleep(2.0)
    began = time.monotonic()
    for _ in range(rounds):
        for text in RUBBISH:
            for topic in (READING, EVENT, "yard/booth-2/pot/pressure", "yard/booth-2/reply"):
                world.oracle.ask("say", topic=topic, payload=text, qos=row.injected % 2)
                row.injected += 1
        for text in RUBBISH_EVENTS:
            world.oracle.ask("say", topic=EVENT, payload=text, qos=1)
            row.injected += 1
        stale = json.dumps({"event": "setup_loaded", "id": "stale-1", "t": 1, "setup": "gearbox-topcoat"})
        world.oracle.ask("say", topic=EVENT, payload=stale, qos=1, retain=True)
        world.oracle.ask("say", topic=EVENT, payload="", qos=1, retain=True)
    row.alarmed("input-rejected", world.alarm("input-rejected", began))
    time.sleep(30.0)
    world.oracle.ask("set", mode="rest")
    row.recovered(world.online(30.0))
    time.sleep(26.0)
    row.audited(found := world.audit(), world.verify())
    row.expect("P3-no-wrong-number", found["measured"] >= 1, "no real shot was measured meanwhile")
    row.expect("P9-bounded", world.agent.peak_mb() < BOUND_MB, f"{world.agent.peak_mb():.0f} MB")
    row.expect("P8-recovers-alone", "Traceback" not in world.agent.log_text(), "a traceback in the log")
    row.note = (
        f"{found['measured']} real shots measured meanwhile; at most {world.agent.peak_mb():.0f} MB resident"
    )
    return row


def flood(world: World, _report: Report, seconds: float, per_s: float) -> Row:
    """Rubbish on the scale's own topic as fast as the line takes it, events and shots besides."""
    row = Row("25a", f"flood of rubbish ({seconds:.0f} s, {per_s:.0f}/s offered)")
    world.oracle.ask("set", mode="shots", events_per_s=5)
    time.sleep(2.0)
    began = time.monotonic()
    sent = world.oracle.ask(
        "flood", topic=READING, payload='{"value": "rubbish"}', per_s=per_s, seconds=seconds
    )
    row.injected = int(sent["sent"])
    took_s = sent["took_s"]
    world.oracle.ask("set", mode="rest", events_per_s=0)
    # It may stand already: a sender that goes on being wrong is told once.
    heard = world.alarm("input-rejected", 0.0)
    row.alarmed("input-rejected", None if heard is None else max(0.0, heard - began))
    row.recovered(world.online(60.0))
    time.sleep(26.0)
    state = world.oracle.ask("counts")["state"]["health"]
    shed = state["shed"]
    if shed:
        heard = world.alarm("overload", began)
        row.expect("P5-gaps-declared", heard is not None, f"{shed} were shed, and nobody was told")
    row.audited(found := world.audit(), world.verify())
    row.expect("P9-bounded", world.agent.peak_mb() < BOUND_MB, f"{world.agent.peak_mb():.0f} MB")
    row.note = (
        f"{row.injected / took_s:.0f}/s sent, {shed} shed, {state['readings_missing']} numbered readings "
        f"missing, at most {world.agent.peak_mb():.0f} MB; shots: {found['measured']} measured, "
        f"{found['declared']} declared as not"
    )
    return row


def flood_narrow(world: World, _report: Report, seconds: float) -> Row:
    """Ten times the usual rate, the database down, and a line of 64 kbit/s."""
    row = Row("25b", f"10x rate, database down, 64 kbit/s ({seconds:.0f} s)", injected=1)
    if world.sink is not None:
        world.sink.mode = "down"
    before = world.oracle.ask("counts")["readings"]
    # A busy machine may not reach the rate: the readings are long enough to fill the line anyway.
    world.oracle.ask("set", mode="shots", rate_hz=200.0, events_per_s=5, padding=PADDING)
    world.link.bytes_per_s = 8000.0
    world.link.switch("slow")
    began = time.monotonic()
    time.sleep(seconds)
    offered = (world.oracle.ask("counts")["readings"] - before) * PADDING / (time.monotonic() - began)
    world.link.switch("pass")
    world.link.cut()
    world.oracle.ask("set", mode="rest", rate_hz=20.0, events_per_s=0, padding=0)
    if world.sink is not None:
        world.sink.mode = "pass"
    back = time.monotonic()
    row.recovered(world.online(60.0))
    gap_s = world.alarm("input-gap", began)
    row.alarmed("input-gap", None if gap_s is None else max(0.0, gap_s - (back - began)))
    row.expect("P5-gaps-declared", gap_s is not None, "readings that the broker dropped were not told")
    row.expect("P14-it-bit", offered > 10_000, f"only {offered:.0f} bytes of readings a second were offered")
    time.sleep(26.0)
    row.audited(found := world.audit(), world.verify())
    row.expect("P9-bounded", world.agent.peak_mb() < BOUND_MB, f"{world.agent.peak_mb():.0f} MB")
    row.note = (
        f"{offered / 1000:.0f} kB/s of readings offered; shots: {found['measured']} measured, "
        f"{found['declared']} declared as not; at most {world.agent.peak_mb():.0f} MB"
    )
    return row


def retained_storm(world: World, _report: Report, messages: int) -> Row:
    """Thousands of retained messages meet a new subscription, before anything else."""
    row = Row("25c", "retained storm at connect", injected=messages)
    for n in range(messages):
        topic = f"yard/booth-2/alert/x{n}/command"
        world.oracle.ask("say", topic=topic, payload='{"command": "shelve"}' + " " * 500, qos=1, retain=True)
    began = time.monotonic()
    world.begin()
    row.recovered(world.online(60.0))
    row.recovered_s = time.monotonic() - began
    row.alarmed("input-rejected", world.alarm("input-rejected", began))
    row.audited(world.audit(), world.verify())
    row.expect("P9-bounded", world.agent.peak_mb() < BOUND_MB, f"{world.agent.peak_mb():.0f} MB")
    row.note = f"at most {world.agent.peak_mb():.0f} MB resident"
    return row
