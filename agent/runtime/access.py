"""Whether the broker's access list lets the agent speak and hear: found out, alarmed, and tried again."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable

from agent.contract.inputs import RawMessage
from agent.runtime.canary import Canary
from agent.runtime.keeping import Batch
from agent.runtime.raising import Raising

log = logging.getLogger(__name__)

ASK_AGAIN_S = 15.0
"""Between two tries to speak while the broker's access list is against us."""


class Access:
    """Raises `acl-denied` and ends it. Used in the worker's thread alone."""

    def __init__(self, canary: Canary, alarms: Raising, say_again: Callable[[], None]) -> None:
        """`say_again` tells once more what was refused."""
        self._canary = canary
        self._alarms = alarms
        self._say_again = say_again
        self._refusing = self._retried = False
        self._unheard = False
        """Our own canary did not come back."""
        self._refused_s: float | None = None
        """When the broker last refused what we said, or when it was said again."""

    def subscriptions_refused(self, names: tuple[str, ...], batch: Batch) -> None:
        """The broker refused to let us hear."""
        log.warning("the broker refused subscriptions: %s", ", ".join(names))
        self._alarms.lasting("acl-denied", True, batch, "the broker refuses subscriptions")

    def record_refused(self, batch: Batch) -> None:
        """The broker refused what we said."""
        log.warning("the broker refused a record: its access list does not let the agent speak")
        self._refused_s = time.monotonic()
        self._refusing, self._retried = True, False
        self._tell(batch, "the broker refuses what the agent says")

    def is_canary(self, message: RawMessage, batch: Batch) -> bool:
        """Whether a message is a canary: ours, or an older one."""
        ours = self._canary.heard(message.topic, message.payload)
        if ours:
            self._unheard = False
            self._tell(batch)
        return ours is not None

    def step(self, now_s: float, batch: Batch, *, connected: bool) -> None:
        """About once a second, monotonic time: look for an overdue canary, and try to speak again."""
        if self._canary.overdue(now_s):
            self._unheard, self._refused_s = True, now_s
            text = "the agent does not hear what it says itself: look at the broker's access list"
            self._tell(batch, text)
        if connected:
            self._try_again(now_s, batch)

    def _try_again(self, now_s: float, batch: Batch) -> None:
        # So that nobody has to restart us once the access list is mended.
        if self._refused_s is None or now_s - self._refused_s < ASK_AGAIN_S:
            return
        self._refused_s = now_s
        if self._unheard:
            self._canary.send(now_s)
        if self._refusing and not self._retried:
            self._retried = True
            self._say_again()
        elif self._refusing:
            # What was refused was said again, and nobody objected.
            self._refusing = self._retried = False
            self._tell(batch)
        if not (self._unheard or self._refusing):
            self._refused_s = None

    def _tell(self, batch: Batch, text: str = "") -> None:
        self._alarms.lasting("acl-denied", self._unheard or self._refusing, batch, text)
