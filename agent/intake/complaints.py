"""Counts what was refused, and says when to warn of it: once at first, then now and then with the count."""

from __future__ import annotations

from dataclasses import dataclass

from agent.contract.inputs import Undecodable

EVERY_S = 600.0
"""The same fault on the same topic is warned of once in so many seconds."""
MOST_KINDS = 500
"""Pairs of topic and code that are counted apart; what is more is counted together by code."""
OTHERS = "(other topics)"


@dataclass(slots=True)
class _Tally:
    count: int = 0
    since_warning: int = 0
    warned_s: float | None = None


class Complaints:
    """The refused messages of one agent: bounded, whatever comes."""

    def __init__(self, every_s: float = EVERY_S, most_kinds: int = MOST_KINDS) -> None:
        self._every_s = every_s
        self._most_kinds = most_kinds
        self._tallies: dict[tuple[str, str], _Tally] = {}

    def about(self, refused: Undecodable) -> str | None:
        """Count a refused message; the warning to log now, or None where it was warned of lately.

        The time is the message's arrival.
        """
        key = (refused.topic, refused.code)
        if key not in self._tallies and len(self._tallies) >= self._most_kinds:
            key = (OTHERS, refused.code)
        tally = self._tallies.setdefault(key, _Tally())
        tally.count += 1
        tally.since_warning += 1
        now_s = refused.arrived_s
        # A clock that was set back must not silence a warning for longer than usual.
        if tally.warned_s is not None and 0 <= now_s - tally.warned_s < self._every_s:
            return None
        more = "" if tally.since_warning == 1 else f" ({tally.since_warning} such since the last warning)"
        tally.warned_s, tally.since_warning = now_s, 0
        return f"dropped a message on {_printable(refused.topic)}: {refused.fault} [{refused.code}]{more}"

    def counts(self) -> dict[tuple[str, str], int]:
        """How many messages were refused, by topic and code."""
        return {key: tally.count for key, tally in self._tallies.items()}


def _printable(topic: str) -> str:
    text = topic if topic.isprintable() else repr(topic)
    return text if len(text) <= 200 else text[:197] + "..."
