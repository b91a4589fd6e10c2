"""A dispense on the agent's clock: turns of a needle, changed parts and requests are dated by it."""

from __future__ import annotations

from dataclasses import replace

from agent.contract.records import Dispense
from agent.contract.times import epoch_s, rfc3339


def on_own_clock(dispense: Dispense) -> Dispense:
    """The dispense with its times less what its scale's clock is ahead.

    Else a check of a scale whose clock is fast would outlast a needle turned after it, and be released.
    """
    ahead_s = dispense.scale_ahead_s
    if not ahead_s:
        return dispense
    at, started_at, ended_at = (
        rfc3339(epoch_s(text) - ahead_s) for text in (dispense.at, dispense.started_at, dispense.ended_at)
    )
    return replace(dispense, at=at, started_at=started_at, ended_at=ended_at)
