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

FORGETTING = 0.9
"""How much of the old knowledge one new shot leaves: evaporation, noise and lag change with the day."""


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
        """What is known after one more good shot, from that shot's own findings; None teaches nothing."""
        lengths = self.lengths
        if open_s is not None and mass_g is not None and u_mass_g is not None:
            lengths = lengths.with_shot(Shot(group, open_s, mass_g, u_mass_g))
        return replace(
            self,
            evaporation=_moved(self.evaporation, evaporation, 5e-4),
            noise_g=_moved(self.noise_g, None if noise_g is None else Known(noise_g, noise_g), 1e-4),
            lag_s=_moved(self.lag_s, lag_s, 0.01),
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


def _moved(old: Known | None, new: Known | None, least_u: float) -> Known | None:
    # Exponential forgetting: the old knowledge counts as at most 1/(1-FORGETTING) shots. The spread between
    # shots is kept in u, so that a container that was emptied or covered is not forced onto yesterday's rate.
    if new is None or not (math.isfinite(new.value) and math.isfinite(new.u)):
        return old
    if old is None:
        return Known(new.value, max(new.u, least_u), 1)
    weight = max(1.0 - FORGETTING, 1.0 / (old.n + 1))
    jump = new.value - old.value
    spread = (1.0 - weight) * (old.u**2 + weight * jump**2) + weight * max(new.u, least_u) ** 2
    return Known(old.value + weight * jump, max(math.sqrt(spread), least_u), min(old.n + 1, 1000))


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
