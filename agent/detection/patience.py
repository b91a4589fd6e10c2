"""How long a dispense that the controller told is waited for: its closing, its plateau, its neighbours."""

from __future__ import annotations

from collections import deque

from agent.contract.plan import Cell
from agent.detection.naming import Namer
from agent.detection.placing import Placed
from agent.detection.scale_watch import ScaleWatch
from agent.detection.triggers import Triggers

PLATEAU_S = 10.5
"""Plateau waited for after a closing: below eight seconds the flow's error doubles, above ten it stays."""
LONGEST_WAIT_S = 16.0
"""Not longer than this, however restless the scale is."""
SILENT_S = 5.0
"""No reading for so long, and none is waited for."""
UNCLOSED_S = 600.0
"""An opening without a closing and with no mass is forgotten after this."""
KEPT_LENGTHS = 9
USUAL_SHOT_S = 30.0


class Patience:
    """Decides when the told dispenses of a cell are due; learns how long its guns' dispenses usually are."""

    def __init__(self, cell: Cell, triggers: Triggers, namer: Namer) -> None:
        self._triggers = triggers
        self._namer = namer
        self._guns = frozenset(gun.name for gun in cell.guns)
        self._lengths_s: dict[str | None, deque[float]] = {}

    def learn(self, one: Placed, open_s: float | None) -> None:
        """A dispense of a known gun was open for so long."""
        gun = one.told[0].gun
        if open_s is not None and gun in self._guns:
            self._lengths_s.setdefault(gun, deque(maxlen=KEPT_LENGTHS)).append(open_s)

    def is_ready(self, watch: ScaleWatch, one: Placed, following: float | None, now_s: float) -> bool:
        """Whether a told dispense can be given: its plateau is long enough, or cannot become longer.

        `following` is when the next one begins on this scale; `now_s` stands on the arrival clock.
        """
        last_s = watch.last_t_s
        silent = now_s >= max(watch.last_arrived_s or 0.0, one.arrived_s + PLATEAU_S) + SILENT_S
        calm_from_s = watch.gate.calm_from_s
        if one.to_s is not None:
            if silent or (following is not None and one.to_s <= following <= last_s):
                return True
            rested = calm_from_s is not None and last_s >= one.to_s + PLATEAU_S
            return rested or last_s >= one.to_s + LONGEST_WAIT_S
        if one.until_s is not None:
            return silent or last_s >= one.until_s
        if last_s < one.begins_s + self._patience_s(one) or calm_from_s is None:
            return False
        if last_s > one.begins_s + UNCLOSED_S:
            return True
        came = any(a.to_s and a.to_s > one.begins_s and not a.done for a in watch.gate.activities)
        return came and last_s - calm_from_s >= PLATEAU_S

    def may_be_open(self, watch: ScaleWatch, still: Placed, one: Placed) -> bool:
        """Whether a gun whose closing is not known yet may have shot at the same time."""
        if still.to_s is not None or still.until_s is not None or "job" in (still.purpose, one.purpose):
            return False
        return watch.last_t_s < still.begins_s + self._patience_s(still) + LONGEST_WAIT_S

    def may_explain(self, whole: Placed, half: Placed) -> bool:
        """Whether what a half-told dispense would be given may belong to one that was told whole."""
        if whole.from_s is None or whole.to_s is None:
            return False
        return half.begins_s - LONGEST_WAIT_S < whole.begins_s < half.begins_s + self._patience_s(half)

    def _patience_s(self, one: Placed) -> float:
        """How long a closing is waited for: half as long again as planned, and ten seconds."""
        if one.purpose == "job":
            return UNCLOSED_S
        return 1.5 * (self.usual_s(one) or USUAL_SHOT_S) + 10.0

    def usual_s(self, one: Placed) -> float | None:
        """How long this dispense should take at most: by its setup, else by the gun's last ones."""
        setup = self._triggers.setup(self._namer.setup_of(one)[0])
        if setup is not None:
            return max(setup.shot_s, setup.bleed_s)
        return max(self._lengths_s.get(one.told[0].gun, ()), default=None)
