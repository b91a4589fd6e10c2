"""Trouble at the rim, told to the alarms: what lasts is raised and ended, what happened is only raised."""

from __future__ import annotations

from collections.abc import Mapping

from agent.assessment.alarms import Fault

ENDS = {"sink-recovered": "sink-down", "sink-steady": "sink-degraded"}
"""Reports that end an alarm rather than raise one."""
LASTING = ("disk-filling", "disk-full", "outbox-filling")
"""Conditions that the journal's housekeeping finds to hold, or not."""


class Trouble:
    """Which troubles hold now; says what changed, so that an alarm is told once."""

    def __init__(self) -> None:
        self._held: dict[str, bool] = {}

    def lasting(self, name: str, holds: bool, text: str = "") -> Fault | None:
        """A condition as it is now; None where nothing changed."""
        if self._held.get(name, False) == holds:
            return None
        self._held[name] = holds
        return Fault(name=name, active=holds, text=text)

    def happened(self, code: str, text: str) -> Fault | None:
        """A report of the journal or an outlet."""
        if code in ENDS:
            return self.lasting(ENDS[code], False, text)
        if code in ENDS.values():
            return self.lasting(code, True, text)
        return Fault(name=code, active=True, text=text)

    def housekeeping(self, conditions: Mapping[str, str]) -> list[Fault]:
        """What the journal's housekeeping found: every lasting condition that begins or ends."""
        found = [self.lasting(name, name in conditions, conditions.get(name, "")) for name in LASTING]
        return [fault for fault in found if fault is not None]

    def holding(self) -> list[str]:
        """Names of what holds now."""
        return sorted(name for name, holds in self._held.items() if holds)
