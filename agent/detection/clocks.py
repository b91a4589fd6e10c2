"""How far a sender's clock is off: the difference of its times to their arrival, least-delayed.

A message sent at `t_s` on the sender's clock arrives at `arrived_s` on ours; `t_s - arrived_s` is the clock's
error less the delay on the way. Delays are never negative, so the greatest difference over the recent
messages is the best estimate of the error (common practice of network time keeping: the minimum filter of
RFC 5905, section 10). Two clocks estimated so can be compared through ours, which never has to be right.
"""

from __future__ import annotations

from collections import deque

KEPT = 32
STEP_S = 1.5
"""Two messages that agree with each other and differ from the rest by more than this tell of a set clock."""
AGREE_S = 0.5
APART_S = 1.5
"""Queued messages come in a bunch, so that their differences do not agree unless they were sent together."""

LONGEST_DELAY_S = 300.0
"""Messages that waited for an agent that was away, or behind, are late by less than this."""
SURE = 4
SURE_S = 60.0
"""So many messages, over so long, that all seem late by the same are late by their clock."""


class EventClock:
    """The clock of a sender of few messages: a controller."""

    __slots__ = ("_seen",)

    def __init__(self) -> None:
        self._seen: deque[tuple[float, float]] = deque(maxlen=KEPT)

    def add(self, t_s: float, arrived_s: float) -> None:
        """Learn from a message."""
        late = t_s - arrived_s
        if self._seen:
            last_t, last = self._seen[-1]
            agree = abs(late - last) < AGREE_S and abs(t_s - last_t) > APART_S
            step_s = max(late, last) - self.offset_s
            if agree and (step_s > STEP_S or (step_s < -STEP_S and self._is_no_delay(t_s, late, step_s))):
                self._seen.clear()
                self._seen.append((last_t, last))
        self._seen.append((t_s, late))

    def _is_no_delay(self, t_s: float, late: float, step_s: float) -> bool:
        """A clock set back looks like a broker or an agent that is behind: two messages do not tell."""
        if step_s < -LONGEST_DELAY_S:
            return True
        before = list(self._seen)[-SURE + 1 :]
        agree = all(abs(late - earlier) < AGREE_S for _, earlier in before)
        return len(before) == SURE - 1 and agree and t_s - before[0][0] > SURE_S

    def arrivals_moved(self, by_s: float) -> None:
        """Our own clock was set: what arrives from now on is dated so much later, and the sender's is not."""
        self._seen = deque(((t, late - by_s) for t, late in self._seen), maxlen=KEPT)

    @property
    def offset_s(self) -> float:
        """Seconds the sender's clock is ahead of arrival; 0 where nothing is known."""
        return max((late for _, late in self._seen), default=0.0)

    @property
    def u_offset_s(self) -> float:
        """Standard uncertainty: how far the least-delayed message stands out from the next."""
        if len(self._seen) < 2:
            return 0.5
        best, second = sorted((late for _, late in self._seen), reverse=True)[:2]
        return min(1.0, 0.03 + best - second)

    def state(self) -> list[tuple[float, float]]:
        """What to write down, for `restore`."""
        return list(self._seen)

    def restore(self, state: list[tuple[float, float]]) -> None:
        """Take up what was written down."""
        self._seen.clear()
        self._seen.extend((float(t), float(late)) for t, late in state)
