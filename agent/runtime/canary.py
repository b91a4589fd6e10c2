"""A message to ourselves: proof that the broker's access list lets the agent speak and hear.

A broker may grant a subscription and then filter every delivery, and under MQTT 3.1.1 it acknowledges a
publish that it throws away: only a message that comes back proves anything.
"""

from __future__ import annotations

import uuid
from collections.abc import Callable

from agent.contract.topics import Topics

PATIENCE_S = 10.0
"""So long a canary may take through a slow broker."""


class Canary:
    """Sends one canary at a time and says whether it came back."""

    def __init__(self, topics: Topics, agent: str, publish: Callable[[str, bytes], int | None]) -> None:
        self.topic = f"{topics.agent_state(agent).removesuffix('/state')}/canary"
        self._publish = publish
        self._song: bytes | None = None
        self._sent_s = 0.0

    def send(self, now_s: float) -> None:
        """Send one now (monotonic time), where there is a connection."""
        song = uuid.uuid4().hex.encode()
        if self._publish(self.topic, song) is not None:
            self._song, self._sent_s = song, now_s

    def heard(self, topic: str, payload: bytes) -> bool | None:
        """None where the message is no canary; else whether it is the one we wait for."""
        if topic != self.topic:
            return None
        ours = self._song is not None and payload == self._song
        if ours:
            self._song = None
        return ours

    def overdue(self, now_s: float) -> bool:
        """Whether the last one has not come back in time; said once."""
        if self._song is None or now_s - self._sent_s < PATIENCE_S:
            return False
        self._song = None
        return True

    def line_lost(self) -> None:
        """The connection ended: nothing is proved either way."""
        self._song = None
