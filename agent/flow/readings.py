"""A window's readings and what a fit leaves of them."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from agent.detection.window import Floats
from agent.flow.beside import Waves
from agent.flow.curve import Axis, curve_of, edges
from agent.flow.joint import Data, Joint, tukey
from agent.flow.noise import Kept, noise_of, root_mean_square

FEW = 24
"""With fewer readings at rest the noise that earlier shots showed counts as well."""
SETTLING_S = 1.5
"""A scale and a dripping gun may take so long to come to rest."""


@dataclass(frozen=True, slots=True, eq=False)
class Left:
    """What a fit leaves over. Shapes (n,)."""

    residual_g: Floats
    """Readings less the curve and less steady vibration."""
    noise_g: Floats
    """Standard deviation of each reading, more where they are alike."""
    spread_g: Floats
    """The same of each reading by itself."""
    weight: Floats
    """How much each reading counts, 0 to 1."""
    at_rest_g: float
    """Spread of the sound readings at rest, g."""


@dataclass(frozen=True, slots=True)
class Doubt:
    """What slow waves leave open."""

    chance: float = 0.0
    """That there is one more than were taken out."""
    slope_g_per_s: float = 0.0
    """By how much the loss is off then."""
    apart_g: float = 0.0
    """How far the grams are from each other by the frequencies that those may have: standard deviation."""


@dataclass(frozen=True, slots=True, eq=False)
class Readings:
    """A window's readings, vibration taken out."""

    on: Axis
    mass_g: Floats
    resolution_g: float
    hum_g: float = 0.0
    """Root mean square of the vibration that was taken out, g."""
    waves: Waves | None = None
    """The vibration that was taken out; None where none was."""
    doubt: Doubt = Doubt()
    usual_g: float = 0.0
    """Noise of a reading at rest as earlier shots showed it, g; 0 where it is not known."""

    @property
    def rounding_g(self) -> float:
        """Standard uncertainty of a rounded reading, d over root 12."""
        return self.resolution_g / math.sqrt(12.0)

    def data(self, left: Left) -> Data:
        """The readings as a fit takes them, with the noise that another left."""
        return Data(self.on, self.mass_g, left.noise_g, spread_g=left.spread_g)

    def left_by(self, joint: Joint, spread_g: Floats, *, first: bool = False) -> Left:
        """What a fit leaves of them, and the noise that this shows.

        `spread_g` tells what to leave out of it; at the `first` look more is forgiven (`noise_of`).
        """
        residual = self.mass_g - curve_of(self.on, joint.at)
        noise, spread = noise_of(
            self.on.t_s, joint.at, residual, tukey(residual / spread_g) > 0, self.rounding_g, first=first
        )
        start, end = edges(joint.at)
        resting = (self.on.t_s < start) | (self.on.t_s > end)
        if resting.sum() < FEW:
            # A handful of readings agree by chance: the scale is not better than it was before.
            noise[resting] = np.maximum(noise[resting], self.usual_g)
            spread[resting] = np.maximum(spread[resting], self.usual_g)
        weight = tukey(residual / spread)
        sound = settled(self.on.t_s, joint.at) & (weight > 0)
        return Left(residual, noise, spread, weight, root_mean_square(residual[sound]))


def settled(t_s: Floats, at: Floats) -> Kept:
    """Which readings were taken while nothing flowed and the scale had come to rest, shape (n,)."""
    start, end = edges(at)
    return np.asarray((t_s < start) | (t_s > end + SETTLING_S))
