"""The raw readings behind a dispense: kept beside its record, so that it can be computed again."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """What one dispense was computed from."""

    t_s: NDArray[np.float64]
    """Times of the readings on the scale's clock, epoch seconds, shape (n,)."""
    mass_g: NDArray[np.float64]
    """Indicated mass, shape (n,)."""
    stable: NDArray[np.bool_] | None
    """The scale's stability flags, shape (n,), where it sends them."""
    context: Mapping[str, Any]
    """Everything else the computation took, as plain JSON."""
