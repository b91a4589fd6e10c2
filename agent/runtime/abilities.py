"""What a broker cannot do, found out and said in the log: nobody should have to know it from its name.

A broker of MQTT 5 says its limits when it lets us in. One of MQTT 3.1.1 does not: whether it grants the QoS
asked for stands in its answer to the subscription, and whether it keeps retained messages, and gives them to
who subscribes with a wildcard, is tried once, on the canary's topic.
"""

from __future__ import annotations

import logging
import uuid
from collections.abc import Sequence
from typing import Protocol

from agent.contract.inputs import RawMessage
from agent.runtime.happenings import LinkUp

log = logging.getLogger(__name__)

PATIENCE_S = 5.0
OLD_VERSION = (
    "MQTT 5: a publish that the broker's access list forbids looks delivered, and a request cannot expire on "
    "the broker; the agent's own expiry still holds"
)
NO_RETAINED = (
    "retained messages: who comes later does not see the latest check, release and alarms until they change, "
    "and a standby agent learns of the other one only by its next word"
)
NO_WILDCARD = (
    "retained messages for subscriptions with a wildcard: who comes later and subscribes to all does not see "
    "the latest check, release and alarms; subscribe to each topic by its name"
)


class Line(Protocol):
    """What is needed of the link."""

    def publish(self, topic: str, payload: bytes, *, retain: bool) -> int | None:
        """Publish; None where that is not possible now."""

    def ask_for(self, name: str) -> None:
        """Subscribe to one more filter."""

    def leave(self, name: str) -> None:
        """Take a filter back."""


class Abilities:
    """Looks once a run at what the broker lacks; `lacks` says what was found, in sentences."""

    def __init__(self, topic: str, line: Line) -> None:
        """`topic` is the canary's, on which the agent may both speak and hear."""
        self.lacks: list[str] = []
        self._topic, self._line = topic, line
        self._level = f"{topic.rpartition('/')[0]}/+"
        self._song = uuid.uuid4().hex.encode()
        self._awaits: str | None = None
        self._since_s = 0.0
        self._wanted = False
        self._tried = False

    def line_up(self, up: LinkUp) -> None:
        """The broker let us in, and may have said what it cannot do."""
        if up.version == "3.1.1":
            self._say(OLD_VERSION)
        for one in up.lacks:
            self._say(one)
        self._awaits = None
        self._wanted = up.version == "3.1.1" and not self._tried

    def lowered(self, names: Sequence[str]) -> None:
        """The broker granted less than the QoS asked for."""
        if names:
            self._say(f"QoS 1 for {', '.join(names[:5])}: what is sent while the line is down is lost there")

    def step(self, now_s: float) -> None:
        """About once a second, monotonic time: try the next thing, or give up waiting."""
        if self._wanted:
            if self._line.publish(self._topic, self._song, retain=True) is not None:
                self._wanted, self._tried = False, True
                self._await("live", now_s)
        elif self._awaits == "live" and now_s - self._since_s >= PATIENCE_S:
            # Not even heard at once: the access list is against us, which the canary tells.
            self._end()
        elif self._awaits is not None and now_s - self._since_s >= PATIENCE_S:
            self._say(NO_RETAINED if self._awaits == "exact" else NO_WILDCARD)
            self._end()

    def heard(self, message: RawMessage, now_s: float) -> bool:
        """Whether a message was ours to try the broker with."""
        if message.topic != self._topic or message.payload not in (self._song, b""):
            return False
        if self._awaits == "live" and message.payload:
            self._await("exact", now_s)
            self._line.ask_for(self._topic)
        elif self._awaits == "exact" and message.retain:
            self._await("wildcard", now_s)
            self._line.ask_for(self._level)
        elif self._awaits == "wildcard" and message.retain:
            self._end()
        return True

    def _await(self, what: str, now_s: float) -> None:
        self._awaits, self._since_s = what, now_s

    def _end(self) -> None:
        if self._awaits == "wildcard":
            self._line.leave(self._level)
        self._awaits = None
        self._line.publish(self._topic, b"", retain=True)

    def _say(self, what: str) -> None:
        if what not in self.lacks:
            self.lacks.append(what)
            log.warning("the broker has no %s", what)
