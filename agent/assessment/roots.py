"""Where a curve crosses zero, by bisection.

`scipy.optimize.brentq` does the same (a test holds the two to each other), but loading it takes 24 MB of
memory for as long as the agent runs, and a small computer has better uses for them.
"""

from __future__ import annotations

from collections.abc import Callable

MOST_HALVINGS = 200


def crossing_zero(
    curve: Callable[[float], float], low: float, high: float, *, tolerance: float = 1e-12
) -> float:
    """The x between `low` and `high` where a continuous curve changes its sign, in the unit of x.

    `tolerance` is relative to the interval. Raises ValueError where both ends have one sign.
    """
    at_low = curve(low)
    if at_low == 0:
        return low
    if at_low * curve(high) > 0:
        raise ValueError(f"the curve does not change its sign between {low:g} and {high:g}")
    enough = tolerance * (high - low)
    for _ in range(MOST_HALVINGS):
        middle = (low + high) / 2
        if high - low <= enough or middle in (low, high):
            break
        if curve(middle) * at_low > 0:
            low = middle
        else:
            high = middle
    return (low + high) / 2
