"""The fixed error of opening and closing a gun, from shots of different length (ISO 4185, ISO 8316).

A gun that closes later than it opens, counted from the commands, gives q (t + dt) grams in t seconds. Several
bursts against one long shot, or simply shots of different length, show dt. It is learned per gun and told
with each dispense; it is used only where it is significant: to bring an open time seen in the scale's curve
to the commanded one, and to tell the fit how long the liquid ran.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from agent.flow.known import Known

MOST_SHOTS = 48
"""Shots remembered per gun; of older ones those of several lengths are kept longest."""
POSSIBLE = (1e-9, 1e9)
"""Seconds and grams outside of this come from a damaged note, and their squares would overflow."""
LEAST_RATIO = 1.4
"""Shots of one group show a timing error if their lengths differ by this ratio (choice of ours)."""
LEAST_DOF = 2
"""Fewer degrees of freedom say nothing of the scatter (choice of ours)."""
REPEATABILITY_REL = 0.003
"""A gun's relative standard deviation from shot to shot, added to each mass (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Shot:
    """One shot as the method needs it."""

    group: str
    """Shots of one group ran at one time with the same setup and needle setting: only they are compared."""
    open_s: float
    mass_g: float
    u_mass_g: float


@dataclass(frozen=True, slots=True)
class Lengths:
    """The last shots of a gun, and the timing error they show."""

    shots: tuple[Shot, ...] = ()

    def with_shot(self, shot: Shot) -> Lengths:
        """One more shot; beyond `MOST_SHOTS` one is dropped. An impossible shot changes nothing."""
        amounts = (shot.open_s, shot.mass_g, shot.u_mass_g)
        if not all(POSSIBLE[0] <= amount <= POSSIBLE[1] for amount in amounts):
            return self
        shots = [*self.shots, shot]
        while len(shots) > MOST_SHOTS:
            del shots[_least_told(shots)]
        return Lengths(tuple(shots))

    def error(self) -> Known | None:
        """The fixed timing error in seconds (positive: more liquid than the command asked for).

        Weighted mean of each group's own, less certain where the groups disagree; None where no group has
        shots of different length.
        """
        errors = self._of_groups()
        return _joined(errors) if errors else None

    def significant_error(self) -> Known | None:
        """The timing error where it differs from zero with 95 % confidence (Student's t), else None."""
        errors = self._of_groups()
        if not errors:
            return None
        error = _joined(errors)
        # Each group has a flow of its own, and all have one error.
        dof = error.n - len(errors) - 1
        if dof < LEAST_DOF:
            return None
        from scipy.special import stdtrit

        return error if abs(error.value) > float(stdtrit(dof, 0.975)) * error.u else None

    def _of_groups(self) -> list[Known]:
        found = [
            _group_error([shot for shot in self.shots if shot.group == group])
            for group in _groups(self.shots)
        ]
        return [error for error in found if error is not None]

    def to_list(self) -> list[list[object]]:
        """As plain values, for the journal."""
        return [[shot.group, shot.open_s, shot.mass_g, shot.u_mass_g] for shot in self.shots]

    @classmethod
    def from_list(cls, body: object) -> Lengths:
        """Read back; a row that is no shot is left out."""
        lengths = cls()
        for row in body if isinstance(body, (list, tuple)) else ():
            try:
                group, open_s, mass_g, u_mass_g = row
                lengths = lengths.with_shot(Shot(str(group), float(open_s), float(mass_g), float(u_mass_g)))
            except (TypeError, ValueError):
                continue
        return lengths


def _joined(errors: list[Known]) -> Known:
    found = errors[0]
    for other in errors[1:]:
        found = found.joined(other)
    chi2 = sum(((each.value - found.value) / each.u) ** 2 for each in errors)
    birge = max(1.0, chi2 / (len(errors) - 1)) if len(errors) > 1 else 1.0
    return Known(found.value, found.u * math.sqrt(birge), found.n)


def _least_told(shots: list[Shot]) -> int:
    # Everyday shots of one length: a few weeks of them would push out what was once tried with several.
    told = {group: _is_telling([shot for shot in shots if shot.group == group]) for group in _groups(shots)}
    idle = (at for at, shot in enumerate(shots) if not told[shot.group] and shot.group != shots[-1].group)
    return next(idle, 0)


def _groups(shots: Iterable[Shot]) -> list[str]:
    return sorted({shot.group for shot in shots})


def _is_telling(shots: list[Shot]) -> bool:
    lengths = [shot.open_s for shot in shots]
    return len(shots) >= 2 and max(lengths) >= LEAST_RATIO * min(lengths)


def _group_error(shots: list[Shot]) -> Known | None:
    # Weighted straight line m = q t + q dt; dt is intercept over slope. The residuals may only widen u.
    if not _is_telling(shots):
        return None
    weights = [1.0 / (shot.u_mass_g**2 + (REPEATABILITY_REL * shot.mass_g) ** 2) for shot in shots]
    total = sum(weights)
    mean_t = sum(w * shot.open_s for w, shot in zip(weights, shots, strict=True)) / total
    mean_m = sum(w * shot.mass_g for w, shot in zip(weights, shots, strict=True)) / total
    spread = sum(w * (shot.open_s - mean_t) ** 2 for w, shot in zip(weights, shots, strict=True))
    flow = (
        sum(
            w * (shot.open_s - mean_t) * (shot.mass_g - mean_m)
            for w, shot in zip(weights, shots, strict=True)
        )
        / spread
    )
    if flow <= 0:
        return None
    chi2 = sum(
        w * (shot.mass_g - mean_m - flow * (shot.open_s - mean_t)) ** 2
        for w, shot in zip(weights, shots, strict=True)
    )
    birge = max(1.0, chi2 / (len(shots) - 2)) if len(shots) > 2 else 1.0
    # dt = mean_m / flow - mean_t; flow and mean_m of a weighted line are uncorrelated.
    u = math.sqrt(birge * (1.0 / total / flow**2 + (mean_m / flow**2) ** 2 / spread))
    return Known(mean_m / flow - mean_t, u, len(shots))
