"""Trouble at the rim, told to the alarms: what lasts is raised and ended, what happened is only raised."""

from __future__ import annotations

from collections.abc import Mapping

from agent.assessment.alarms import Fault

ENDS = {
    "sink-recovered": ("sink-down", "sink-auth", "sink-rejects-all"),
    "sink-steady": ("sink-degraded",),
    "scada-reached": ("scada-lost",),
}
"""Reports that end alarms rather than raise one."""
HOUSEKEEPING = ("disk-filling", "disk-full", "outbox-filling")
"""Conditions that the journal's housekeeping finds to hold, or not."""
FADES_S = {
    "journal-slow": 60.0,
    "journal-io-error": 600.0,
    "journal-readonly": 600.0,
    "journal-corrupt": 600.0,
    "overload": 60.0,
    "client-id-taken": 60.0,
}
"""Nobody tells of the end of these: they end when they were not told again for so long, seconds."""
LASTING = frozenset({*HOUSEKEEPING, *FADES_S, *(name for names in ENDS.values() for name in names)})


class Trouble:
    """Which troubles hold now; says what changed, so that an alarm is told once."""

    def __init__(self) -> None:
        self._held: dict[str, bool] = {}
        self._told_s: dict[str, float] = {}

    def lasting(self, name: str, holds: bool, text: str = "") -> Fault | None:
        """A condition as it is now; None where nothing changed."""
        if self._held.get(name, False) == holds:
            return None
        self._held[name] = holds
        return Fault(name=name, active=holds, text=text)

    def happened(self, code: str, text: str, now_s: float) -> list[Fault]:
        """A report of the journal or an outlet; `now_s` is monotonic."""
        if code in ENDS:
            return [fault for name in ENDS[code] if (fault := self.lasting(name, False, text))]
        if code in FADES_S:
            self._told_s[code] = now_s
        if code in LASTING:
            fault = self.lasting(code, True, text)
            return [fault] if fault is not None else []
        return [Fault(name=code, active=True, text=text, mark=text)]

    def housekeeping(self, conditions: Mapping[str, str]) -> list[Fault]:
        """What the journal's housekeeping found: every lasting condition that begins or ends."""
        found = [self.lasting(name, name in conditions, conditions.get(name, "")) for name in HOUSEKEEPING]
        return [fault for fault in found if fault is not None]

    def passed(self, now_s: float) -> list[Fault]:
        """Time passes (monotonic): what was not told again for long enough ends."""
        over = [name for name, told_s in self._told_s.items() if now_s - told_s > FADES_S[name]]
        for name in over:
            del self._told_s[name]
        return [fault for name in over if (fault := self.lasting(name, False)) is not None]

    def holding(self) -> list[str]:
        """Names of what holds now."""
        return sorted(name for name, holds in self._held.items() if holds)
