"""How far a sender's clock is off: the difference of its times to their arrival, least-delayed.

A message sent at `t_s` on the sender's clock arrives at `arrived_s` on ours; `t_s - arrived_s` is the clock's
error less the delay on the way. Delays are never negative, so the greatest difference over the recent
messages is the best estimate of the error (common practice of network time keeping: the minimum filter of
RFC 5905, section 10). Two clocks estimated so can be compared through ours, which never has to be right.

Recent is half an hour: a line that is too slow for what is said on it delays everything for minutes, events
more than readings, and a clock of 50 ppm is off by 0.09 s after that time.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping

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
STRETCH_S = 60.0
STRETCHES = 30
"""The best of each minute is kept, for half an hour."""


def jumped_back(before_s: float, ahead_s: float) -> bool:
    """Whether a sender's clock was set back between two messages: a queue grows, a clock jumps."""
    return before_s - ahead_s > 0.5 * LONGEST_DELAY_S


class LeastDelayed:
    """The greatest difference of a sender's times to their arrival over the last half hour."""

    __slots__ = ("_before", "_before_most", "_from_s", "_now")

    def __init__(self) -> None:
        self._before: deque[tuple[float, float]] = deque(maxlen=STRETCHES)
        self._before_most: float | None = None
        self._now: float | None = None
        self._from_s = 0.0

    @property
    def ahead_s(self) -> float | None:
        """Seconds the sender's clock is ahead of arrival; None where nothing is known."""
        now, most = self._now, self._before_most
        return now if most is None or (now is not None and now > most) else most

    def add(self, ahead_s: float, arrived_s: float) -> None:
        """Learn from a message."""
        now = self._now
        if now is None or not 0.0 <= arrived_s - self._from_s <= STRETCH_S:
            if now is not None:
                self._before.append((self._from_s, now))
            since_s = arrived_s - STRETCHES * STRETCH_S
            while self._before and not since_s <= self._before[0][0] <= arrived_s:
                self._before.popleft()
            self._before_most = max((most for _, most in self._before), default=None)
            self._now, self._from_s = ahead_s, arrived_s
        elif ahead_s > now:
            self._now = ahead_s

    def forget(self) -> None:
        """The clock was set: what it said before counts no more."""
        self._before.clear()
        self._before_most = self._now = None

    def arrivals_moved(self, by_s: float) -> None:
        """Our own clock was set by so much: arrivals are dated anew."""
        self._before = deque(((at + by_s, ahead - by_s) for at, ahead in self._before), maxlen=STRETCHES)
        self._before_most = max((most for _, most in self._before), default=None)
        self._now = None if self._now is None else self._now - by_s
        self._from_s += by_s

    def state(self) -> list[tuple[float, float]]:
        """Arrival and difference of each minute, to write down."""
        return [*self._before, *([] if self._now is None else [(self._from_s, self._now)])]

    def restore(self, state: list[tuple[float, float]]) -> None:
        """Take up what was written down."""
        self.forget()
        self._before.extend((float(at), float(ahead)) for at, ahead in state[:-1])
        self._before_most = max((most for _, most in self._before), default=None)
        if state:
            self._from_s, self._now = float(state[-1][0]), float(state[-1][1])


class ScaleClock:
    """The clock of a sender of many messages: a scale."""

    __slots__ = ("_behind", "_least", "_said_s")

    def __init__(self) -> None:
        self._least = LeastDelayed()
        self._said_s = float("-inf")
        self._behind: tuple[float, float] | None = None
        """Since when readings seem late by more than any network makes them: how far ahead, and arrival."""

    @property
    def ahead_s(self) -> float:
        """Seconds the scale's clock is ahead of arrival; 0 where nothing is known."""
        return self._least.ahead_s or 0.0

    def add(self, ahead_s: float, arrived_s: float) -> None:
        """Learn from a reading."""
        before_s, self._said_s = self._said_s, ahead_s
        if ahead_s < self.ahead_s - LONGEST_DELAY_S and self._least.ahead_s is not None:
            jumped = self._behind is not None or jumped_back(before_s, ahead_s)
            if jumped and self._is_no_delay(ahead_s, arrived_s):
                self.was_set(ahead_s, arrived_s)
            return
        self._behind = None
        self._least.add(ahead_s, arrived_s)

    def was_set(self, ahead_s: float, arrived_s: float) -> None:
        """The clock was set: from now on it is so far ahead."""
        self._least.forget()
        self._least.add(ahead_s, arrived_s)

    def arrivals_moved(self, by_s: float) -> None:
        """Our own clock was set by so much: arrivals are dated anew."""
        self._least.arrivals_moved(by_s)

    def _is_no_delay(self, ahead_s: float, arrived_s: float) -> bool:
        """Late by far and by the same, for longer than a queue takes to come: our own clock was set."""
        behind = self._behind
        if behind is None or abs(behind[0] - ahead_s) > AGREE_S:
            self._behind = ahead_s, arrived_s
            return False
        return arrived_s - behind[1] > APART_S


class EventClock:
    """The clock of a sender of few messages: a controller."""

    __slots__ = ("_least", "_seen")

    def __init__(self) -> None:
        self._seen: deque[tuple[float, float]] = deque(maxlen=KEPT)
        self._least = LeastDelayed()

    def add(self, t_s: float, arrived_s: float) -> None:
        """Learn from a message."""
        late = t_s - arrived_s
        if self._seen:
            last_t, last = self._seen[-1]
            agree = abs(late - last) < AGREE_S and abs(t_s - last_t) > APART_S
            step_s = max(late, last) - self.offset_s
            if agree and (step_s > STEP_S or (step_s < -STEP_S and self._is_no_delay(t_s, late, step_s))):
                self._seen.clear()
                self._least.forget()
                self._keep(last_t, last)
        self._keep(t_s, late)

    def _keep(self, t_s: float, late: float) -> None:
        self._seen.append((t_s, late))
        self._least.add(late, t_s - late)

    def _is_no_delay(self, t_s: float, late: float, step_s: float) -> bool:
        """A clock set back looks like a broker or an agent that is behind: two messages do not tell."""
        if step_s < -LONGEST_DELAY_S:
            return len(self._seen) < 2 or jumped_back(self._seen[-2][1], late)
        before = list(self._seen)[-SURE + 1 :]
        agree = all(abs(late - earlier) < AGREE_S for _, earlier in before)
        return len(before) == SURE - 1 and agree and t_s - before[0][0] > SURE_S

    def arrivals_moved(self, by_s: float) -> None:
        """Our own clock was set: what arrives from now on is dated so much later, and the sender's is not."""
        self._seen = deque(((t, late - by_s) for t, late in self._seen), maxlen=KEPT)
        self._least.arrivals_moved(by_s)

    @property
    def offset_s(self) -> float:
        """Seconds the sender's clock is ahead of arrival; 0 where nothing is known."""
        return self._least.ahead_s or 0.0

    @property
    def u_offset_s(self) -> float:
        """Standard uncertainty: how far the least-delayed message stands out from the next."""
        if len(self._seen) < 2:
            return 0.5
        best, *others = sorted({late for _, late in (*self._seen, *self._least.state())}, reverse=True)
        return min(1.0, 0.03 + best - (others[0] if others else best))

    def state(self) -> dict[str, list[tuple[float, float]]]:
        """What to write down, for `restore`."""
        return {"seen": list(self._seen), "minutes": self._least.state()}

    def restore(self, state: Mapping[str, list[tuple[float, float]]] | list[tuple[float, float]]) -> None:
        """Take up what was written down; a list is what older agents wrote, the messages alone."""
        self._seen.clear()
        self._least.forget()
        seen = state["seen"] if isinstance(state, Mapping) else state
        for t, late in seen:
            self._keep(float(t), float(late))
        if isinstance(state, Mapping):
            self._least.restore(state["minutes"])
