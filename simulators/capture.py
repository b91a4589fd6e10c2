"""Captures: a cell recorded in the form that `mosquitto_sub -F %J` writes, with its truth beside it.

One JSON object a line with `tst`, `topic`, `qos`, `retain`, `payloadlen`, `payload`; a payload that is no
JSON leaves an empty line, as mosquitto_sub 2.0 does.
"""

from __future__ import annotations

import json
import queue
import time
from collections.abc import Callable, Iterable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from simulators.cell import Cell
from simulators.messages import Message
from simulators.scenarios import Scenario, load_scenario
from simulators.scenarios.staging import build_cell
from simulators.site import Site, SiteError, bench_text, site_of

if TYPE_CHECKING:
    import paho.mqtt.client as mqtt

STEP_S = 1.0
IDLE_STEP_S = 60.0
TAIL_S = 45.0
"""After the last programme: plateaus have to be seen to their end."""
LONGEST_S = 14 * 24 * 3600.0
CONNECTS_WITHIN_S = 5.0


def capture_line(message: Message) -> str:
    """One message as a line of a capture, without its end; empty where the payload is no JSON."""
    payload = message.payload.decode("utf-8", "replace") or "null"
    if not _is_json(payload):
        return ""
    stamp = datetime.fromtimestamp(message.t_s, tz=UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ+0000")
    return (
        f'{{"tst":"{stamp}","topic":{json.dumps(message.topic, ensure_ascii=False)},"qos":{message.qos},'
        f'"retain":{int(message.retain)},"payloadlen":{len(message.payload)},"payload":{payload}}}'
    )


def play(cell: Cell, *, longest_s: float = LONGEST_S, tail_s: float = TAIL_S) -> Iterator[Message]:
    """Let a cell's time pass until nothing more is planned, and a little longer: its messages in order."""
    last_s = cell.start_s + longest_s
    while cell.now_s() < last_s and not cell.quiet:
        # Nobody there, nothing planned: a minute passes as one stretch.
        step_s = STEP_S if cell.attended else min(max(cell.next_action_s - cell.now_s(), STEP_S), IDLE_STEP_S)
        yield from cell.advance(min(cell.now_s() + step_s, last_s))
    yield from cell.advance(min(cell.now_s() + tail_s, last_s))


def simulate_capture(
    scenario: Scenario | str = "good-day",
    seed: int = 1,
    site: Site | str | None = None,
    cell: str | None = None,
    *,
    start_s: float = 1_772_429_400.0,
    truth: Path | None = None,
) -> Iterator[str]:
    """Lines of the capture of a scenario, in virtual time and with no broker: same seed, same bytes.

    When the last line has been taken, the truth is written to `truth`, JSON Lines of every dispense. Raises
    SiteError where scenario and site do not fit, OSError where the truth cannot be written.
    """
    story = load_scenario(scenario) if isinstance(scenario, str) else scenario
    where = site if isinstance(site, Site) else site_of(site or bench_text())
    played = build_cell(where, story, cell, seed=seed, start_s=start_s)
    for message in play(played):
        yield capture_line(message)
    if truth is not None:
        truth.write_text("".join(f"{one.as_line()}\n" for one in played.truth), encoding="utf-8")


def write_capture(lines: Iterable[str], path: Path) -> int:
    """Write lines to a file; returns how many. Raises OSError."""
    written = 0
    with path.open("w", encoding="utf-8", newline="\n") as out:
        for line in lines:
            out.write(line + "\n")
            written += 1
    return written


def record(
    host: str,
    port: int,
    topics: Iterable[str],
    *,
    seconds: float,
    prepare: Callable[[mqtt.Client], None] | None = None,
) -> Iterator[str]:
    """Lines of what a broker distributes for so many seconds of wall time: a real cell's capture.

    `prepare` may set TLS and credentials before connecting. Raises SiteError where the broker cannot be
    reached or lets nobody in.
    """
    import paho.mqtt.client as mqtt
    from paho.mqtt.enums import CallbackAPIVersion

    came: queue.Queue[Message] = queue.Queue(100_000)
    refused: list[str] = []
    subscriptions = [(topic, 1) for topic in topics]

    def connected(client: mqtt.Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if reason.is_failure:
            refused.append(str(reason))
        else:
            client.subscribe(subscriptions)

    def heard(_client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        if not came.full():
            came.put(Message(time.time(), message.topic, bytes(message.payload), message.qos, message.retain))

    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.on_connect = connected
    client.on_message = heard
    if prepare is not None:
        prepare(client)
    try:
        client.connect(host, port)
    except OSError as fault:
        raise SiteError(f"no broker at {host}:{port}: {fault}") from fault
    client.loop_start()
    try:
        ends_s = time.monotonic() + seconds
        while (left_s := ends_s - time.monotonic()) > 0:
            if refused:
                raise SiteError(f"the broker at {host}:{port} refuses: {refused[0]}")
            try:
                yield capture_line(came.get(timeout=min(left_s, 0.2)))
            except queue.Empty:
                continue
    finally:
        client.disconnect()
        client.loop_stop()


def _is_json(text: str) -> bool:
    try:
        json.loads(text)
    except ValueError:
        return False
    return True
