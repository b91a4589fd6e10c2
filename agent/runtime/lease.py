"""Whose turn it is: the rule by which one of several like agents speaks, and the others stand by.

The one that speaks renews a lease: a retained message, every second. The others hear it. Who has heard no
renewal for `SILENT_S`, or the will of the one that spoke, claims the turn. Claiming needs no agreement: all
speak under one client id, and a broker ends a connection as soon as another comes with its id (MQTT 5,
3.1.4-3; MQTT 3.1.1, 3.1.4-2). So never two of them speak, whatever the clocks and the network do: this is the
fence. Who loses its connection never takes it back by itself; it listens as the others do. Pure.
"""

from __future__ import annotations

import hashlib

RENEW_S = 1.0
"""The lease is renewed this often."""
SILENT_S = 4.0
"""So long without a renewal, and nobody has the turn."""
WILL_S = 1.0
"""So long after a will without a renewal, and nobody has the turn."""
APART_S = 1.0
"""Those that wait claim up to so much apart, each by its own name."""
GAP_S = 2.0
"""Who was not asked for so long was itself stopped, and has heard nothing in between."""


class Lease:
    """What one agent knows of the turn. Times are monotonic seconds."""

    def __init__(self, me: str) -> None:
        self.holder: str | None = None
        """Who renewed last; None where nobody was heard yet."""
        self._me = me
        self._apart_s = APART_S * (hashlib.sha256(me.encode()).digest()[0] / 256)
        self._heard_s: float | None = None
        self._will_s: float | None = None
        self._asked_s = float("-inf")

    def renewed(self, holder: str, now_s: float) -> None:
        """A renewal was heard; a retained one counts like any other, since nobody can tell its age."""
        self.holder = holder
        self._heard_s, self._will_s = now_s, None

    def ended(self, now_s: float) -> None:
        """The will of the one that spoke was heard, or its goodbye."""
        if self._will_s is None:
            self._will_s = now_s

    def vacant(self, now_s: float, *, listening: bool) -> bool:
        """Whether nobody has the turn. Ask often; `listening` says that the broker can be heard."""
        stopped = now_s - self._asked_s > GAP_S
        self._asked_s = now_s
        if not listening or stopped or self._heard_s is None:
            # Silence counts from where we could have heard something.
            self._heard_s, self._will_s = now_s, None
            return False
        if self._will_s is not None and now_s - self._will_s >= WILL_S + self._apart_s:
            return True
        return now_s - self._heard_s >= SILENT_S + self._apart_s

    def held_by_another(self, now_s: float) -> bool:
        """Whether another one was heard to have the turn just now."""
        fresh = self._heard_s is not None and now_s - self._heard_s < SILENT_S
        return fresh and self._will_s is None and self.holder not in (None, self._me)

    def claimed(self, now_s: float) -> None:
        """We claimed the turn: whatever comes of it, the next claim waits for silence again."""
        self._heard_s, self._will_s = now_s, None
