"""What an agent that must end leaves behind: a note for its next start, and an alarm that goes out at once.

An alarm normally goes through the journal. Where it is the journal that fails, it is told directly, and noted
in a small file beside the journal, so that the next start puts it on record.
"""

from __future__ import annotations

import contextlib
import json
import logging
import time
from pathlib import Path

from agent.broker.client import Address
from agent.contract.record_json import to_json
from agent.contract.records import Alert, record_id
from agent.contract.times import is_plausible, rfc3339
from agent.contract.topics import Topics
from agent.journal.errors import JournalNotice
from agent.runtime.clock import SystemClock
from agent.runtime.mqtt_link import MqttLink

log = logging.getLogger(__name__)

FILE_NAME = "last-words.json"
LONGEST = 2000
ANSWERS_WITHIN_S = 5.0


def leave(state_dir: Path, code: str, text: str) -> None:
    """Note why the agent ends; a disk that does not take it is no further trouble."""
    with contextlib.suppress(OSError):
        (state_dir / FILE_NAME).write_text(
            json.dumps({"code": code, "text": text[:LONGEST]}), encoding="utf-8"
        )


def find(state_dir: Path) -> list[JournalNotice]:
    """What the last agent left. The note stays until the journal has it: see `forget`."""
    path = state_dir / FILE_NAME
    try:
        body = json.loads(path.read_text(encoding="utf-8"))
        return [JournalNotice(str(body["code"]), f"the agent had to end: {body['text']}")]
    except FileNotFoundError:
        return []
    except (OSError, ValueError, KeyError, TypeError) as fault:
        log.warning("%s cannot be used: %s", path, fault)
        return []


def forget(state_dir: Path) -> None:
    """The journal has it now."""
    with contextlib.suppress(OSError):
        (state_dir / FILE_NAME).unlink()


def alert_of(code: str, text: str, now_s: float) -> bytes:
    """The alarm as it goes out with no journal behind it."""
    at = rfc3339(now_s)
    return to_json(
        Alert(
            id=record_id("alert", "agent", code, at),
            cell="agent",
            at=at,
            name=code,
            state="UNACK",
            priority="high",
            since=at,
            text=text,
            consequence="Nothing can be recorded; the broker keeps what was not acknowledged.",
            action="Look at the disk of state_dir and at the agent's log.",
        )
    ).encode()


def say(broker: Address, topics: Topics, agent: str, code: str, text: str) -> bool:
    """Tell an alarm although the agent cannot start; True when the broker took it.

    It connects as the agent would, subscribes to nothing and acknowledges nothing: what waits for the agent
    goes on waiting.
    """
    clock = SystemClock()
    state = topics.agent_state(agent)
    offline = json.dumps({"state": "offline", "agent": agent, "why": code}).encode()
    link = MqttLink(broker, [], will=(state, offline), clock=clock)
    link.start()
    try:
        until_s = time.monotonic() + ANSWERS_WITHIN_S
        while not link.connected and time.monotonic() < until_s:
            link.consider_other_version()
            time.sleep(0.05)
        if not link.connected:
            return False
        now_s = clock.now_s()
        alert = alert_of(code, text, now_s if is_plausible(now_s) else 0.0)
        return link.publish(topics.alert("agent", code), alert, retain=True) is not None
    finally:
        link.stop((state, offline))
