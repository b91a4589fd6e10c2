"""What the agent says: the records of its outbox, and now and then its own state."""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Mapping

from agent import __version__
from agent.contract.topics import Topics
from agent.journal.errors import JournalError, JournalNotice
from agent.journal.journal import Journal
from agent.journal.rows import Row
from agent.outlets.announcer import OUTLET, Announcer
from agent.runtime.happenings import Published
from agent.runtime.keeping import Keeper
from agent.runtime.mqtt_link import MqttLink

ANNOUNCE_EVERY_S = 1.0
STATE_EVERY_S = 30.0


def own_state(agent: str, state: str, more: Mapping[str, object] | None = None) -> bytes:
    """The agent's state as it is told: `online` or `offline`, with more members."""
    body = {"state": state, "version": __version__, "agent": agent, **(more or {})}
    return json.dumps(body, separators=(",", ":")).encode()


class Speaking:
    """Tells through a link what the journal holds. Used in the worker's thread alone."""

    def __init__(self, link: MqttLink, journal: Journal, topics: Topics, keeper: Keeper) -> None:
        self._link = link
        self._keeper = keeper
        self._outbox = journal.outlet_view(OUTLET)
        self._announcer: Announcer[Row] = Announcer(
            self._outbox,
            topics,
            lambda topic, payload, retain: link.publish(topic, payload, retain=retain),
        )
        self._to_tell = True
        self._announced_s = 0.0
        self._said_state_s = float("-inf")

    def there_is_more(self) -> None:
        """The journal holds something new."""
        self._to_tell = True

    def line_lost(self) -> None:
        """Nothing that is on its way will be answered."""
        self._announcer.line_lost()

    def begin_anew(self) -> None:
        """The line stands, or it is our turn: say the state, and all that is not settled."""
        self._announcer.line_lost()
        self._to_tell = True
        self._said_state_s = float("-inf")

    def try_again(self) -> None:
        """Say once more what was refused."""
        self._outbox.try_again()
        self._to_tell = True
        self._announcer.line_lost()

    def records(self) -> list[JournalNotice]:
        """Tell what is new; what the outbox found wrong."""
        # The outbox is asked only where its answer may be another than last time, and now and then anyway.
        now_s = time.monotonic()
        if not self._to_tell and now_s - self._announced_s < ANNOUNCE_EVERY_S:
            return []
        self._announced_s = now_s
        try:
            self._to_tell = self._announcer.step() > 0
        except JournalError as fault:
            self._keeper.judge(fault)
        return self._outbox.take_faults()

    def taken(self, published: Published) -> bool:
        """The broker answered a publish; False where it refused it."""
        self._to_tell = True
        if published.generation != self._link.generation:
            return True
        try:
            return self._announcer.taken(published.mid, published.reason)
        except JournalError as fault:
            # What could not be settled is told again: the same record, under the same id.
            self._keeper.judge(fault)
            return True

    def state(self, topic: str, body: Callable[[], bytes]) -> None:
        """Tell the agent's state, where it is time to."""
        now_s = time.monotonic()
        if now_s - self._said_state_s >= STATE_EVERY_S:
            self._said_state_s = now_s
            self._link.publish(topic, body(), retain=True)
