"""Maximum permissible errors of non-automatic weighing instruments (OIML R 76-1:2006, table 6)."""

from __future__ import annotations

import math

BANDS: dict[str, tuple[float, float]] = {
    "I": (50_000.0, 200_000.0),
    "II": (5_000.0, 20_000.0),
    "III": (500.0, 2_000.0),
    "IIII": (50.0, 200.0),
}
"""Class -> load in verification intervals up to which the error is 0.5 e, and 1.0 e; 1.5 e beyond."""


def permissible_error_g(
    accuracy_class: str, interval_g: float, load_g: float, *, in_service: bool = False
) -> float:
    """Maximum permissible error in g for a load, on initial verification, or twice that in service.

    A load on the edge of a band belongs to the lower band.
    Raises ValueError for an unknown class or an interval that is not positive.
    """
    if accuracy_class not in BANDS:
        raise ValueError(f"unknown accuracy class {accuracy_class!r}; OIML R 76 knows {', '.join(BANDS)}")
    if not (math.isfinite(interval_g) and interval_g > 0 and math.isfinite(load_g)):
        raise ValueError(
            f"verification interval must be positive and the load finite, got {interval_g} and {load_g}"
        )
    intervals = abs(load_g) / interval_g
    half, whole = BANDS[accuracy_class]
    factor = 0.5 if intervals <= half else 1.0 if intervals <= whole else 1.5
    return factor * interval_g * (2.0 if in_service else 1.0)
