"""What earlier shots taught about a scale and a gun: the prior knowledge of the next fit.

Everything here is a handful of numbers, so it never grows; the journal keeps it as a plain dict.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from agent.flow.known import Known
from agent.flow.timing import Lengths, Shot

WALK_REL = 0.1
"""How far evaporation, noise and lag may change from shot to shot, relative (choice of ours)."""
EVAPORATION_WALK, NOISE_WALK, LAG_WALK = 1e-4, 1e-4, 0.01
"""The same in g/s, g and s."""
CHANGED = 4.0
"""What a shot shows so many standard uncertainties away did not walk, it changed (choice of ours)."""
MOST_SHOTS = 1000


@dataclass(frozen=True, slots=True)
class Learned:
    """Prior knowledge of a scale with the container that stands on it, and of the gun that shoots."""

    evaporation: Known | None = None
    """Idle loss of the container, g/s; its `u` says how far the next shot may be from it."""
    noise_g: Known | None = None
    """Standard deviation of single readings at rest, g."""
    lag_s: Known | None = None
    """Time constant of the scale's filter, s."""
    lengths: Lengths = field(default_factory=Lengths)
    """Shots of different length, for the fixed error of opening and closing (ISO 4185)."""

    def after(
        self,
        *,
        evaporation: Known | None,
        noise_g: float | None,
        lag_s: Known | None,
        open_s: float | None,
        mass_g: float | None,
        u_mass_g: float | None,
        group: str = "",
    ) -> Learned:
        """What is known after one more good shot, from that shot's own findings; None teaches nothing.

        `evaporation` is what that shot's window alone showed, g/s: `Measurement.evaporation_seen`.
        """
        lengths = self.lengths
        if open_s is not None and mass_g is not None and u_mass_g is not None:
            lengths = lengths.with_shot(Shot(group, open_s, mass_g, u_mass_g))
        return replace(
            self,
            evaporation=_moved(self.evaporation, evaporation, EVAPORATION_WALK),
            noise_g=_moved(
                self.noise_g, None if noise_g is None else Known(noise_g, 0.2 * noise_g), NOISE_WALK
            ),
            lag_s=_moved(self.lag_s, lag_s, LAG_WALK),
            lengths=lengths,
        )

    def to_dict(self) -> dict[str, Any]:
        """As plain numbers, for the journal."""
        return {
            "evaporation": _plain(self.evaporation),
            "noise_g": _plain(self.noise_g),
            "lag_s": _plain(self.lag_s),
            "lengths": self.lengths.to_list(),
        }

    @classmethod
    def from_dict(cls, body: Mapping[str, Any]) -> Learned:
        """Read back; what is missing or no finite number counts as not known."""
        return cls(
            evaporation=_known(body.get("evaporation")),
            noise_g=_known(body.get("noise_g")),
            lag_s=_known(body.get("lag_s")),
            lengths=Lengths.from_list(body.get("lengths")),
        )


def _moved(old: Known | None, new: Known | None, walk: float) -> Known | None:
    # A Kalman filter of one state that walks at random from shot to shot, and begins anew where a lid was put
    # on or taken off: a container is not forced onto yesterday's rate.
    if new is None or not (math.isfinite(new.value) and math.isfinite(new.u) and new.u > 0):
        return old
    if old is None:
        return Known(new.value, new.u, 1)
    before = old.u**2 + walk**2 + (WALK_REL * old.value) ** 2
    if abs(new.value - old.value) > CHANGED * math.sqrt(before + new.u**2):
        return Known(new.value, new.u, 1)
    gain = before / (before + new.u**2)
    value = old.value + gain * (new.value - old.value)
    return Known(value, math.sqrt(gain) * new.u, min(old.n + 1, MOST_SHOTS))


def _plain(known: Known | None) -> list[float] | None:
    return None if known is None else [known.value, known.u, known.n]


def _known(body: object) -> Known | None:
    if not isinstance(body, (list, tuple)) or len(body) != 3:
        return None
    try:
        value, u, n = float(body[0]), float(body[1]), int(body[2])
    except (TypeError, ValueError, OverflowError):
        return None
    return Known(value, u, max(n, 0)) if math.isfinite(value) and math.isfinite(u) and u > 0 else None
