"""Which kind of change: none, a slow drift, a step, or plugging.

The CUSUM says whether there is a change at all. Then two models with three parameters each are held against
the series by least squares: a level that jumps at one time, and a level that is left at one time and rises
steadily from there. The level is free, for the first checks, whose mean is the zero, may wear as well. The
one that leaves the smaller sum of squares names the pattern; flow that fell is plugging, however it came
about, for no wear makes an orifice smaller. A drift that is known already is taken as the new normal: a
second CUSUM, of what departs from its line, finds a step or plugging on top of it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

from agent.assessment.robust import huber_fit
from agent.assessment.wear_changes import Changes
from agent.assessment.wear_charts import cusum
from agent.assessment.wear_forecast import fit_line

Floats = NDArray[np.float64]
Pattern: TypeAlias = Literal["none", "drift", "step", "plugging"]

MOST_STARTS = 200
"""So many beginnings of a change are tried at most."""
LONGEST_LINE = 200
"""A step on top of a drift is looked for among so many checks."""
FEWEST_FOR_LINE = 8
BENDS = 12
"""So many knees are tried where a bent line may explain what looks like an episode."""
PLAIN = 25.0
"""What a jump must explain, in variances of a check: five standard deviations of one check."""
NEAR = 3.0
"""A check this near, in standard deviations, lies where it should: an individuals chart (ISO 7870-2)."""


@dataclass(frozen=True, slots=True)
class Shape:
    """How a change came about."""

    pattern: Pattern
    sudden: bool
    begins: int
    """Index of the first check that shows the change."""
    size: float
    """Change until the last check by the model that fits, a fraction of the new part's flow."""
    on_drift: bool = False
    """The change came on top of a drift, and `size` is what departs from its line."""


@dataclass(frozen=True, slots=True)
class Found:
    """What the charts find in a series of changes."""

    shape: Shape | None
    """None while there is no change beyond chance."""
    kept: NDArray[np.int64]
    """Indices of the checks that say something of wear: without episodes that passed."""


def find(changes: Changes, k: float, h: float) -> Found:
    """The change that a CUSUM with reference `k` and limit `h` (standard deviations) finds, and its shape."""
    upper, lower = cusum(changes.change / changes.sigma, 0.0, k, cap=2 * (h + k))
    everything = np.arange(len(changes.change))
    if max(upper.max(), lower.max()) <= h:
        return Found(None, everything)
    kept = np.flatnonzero(~_passed(changes, k, h))
    days, change = changes.days[kept], changes.change[kept]
    group = changes.group[kept]
    # A sum that an episode filled runs empty check by check: what came and went is taken out of it.
    up_now, down_now = (float(sums[-1]) for sums in cusum(change / changes.sigma, 0.0, k, cap=2 * (h + k)))
    plain, curve = shape_of(days, change)
    further = _on_line(days, change, change - curve, group, (changes.sigma, k, h))
    # A part back at its first level is as good as new, whatever happened to it in between.
    if further is not None and (further.pattern == "plugging" or up_now > h):
        return Found(replace(further, begins=int(kept[further.begins])), kept[: further.begins])
    if max(up_now, down_now) <= h:
        return Found(None, kept)
    return Found(replace(plain, begins=int(kept[plain.begins])), kept)


def _passed(changes: Changes, k: float, h: float) -> NDArray[np.bool_]:
    """Checks of episodes that came and went, a plugged tip that was cleaned: they say nothing of wear.

    An episode is a departure from the robust line of all checks that a CUSUM signals and that is over, where
    a line with a knee does not explain it.
    """
    n = len(changes.change)
    line = fit_line(changes.days, changes.change)
    if line is None:
        return np.zeros(n, dtype=bool)
    passed = _over(
        changes.change - (line.level + line.slope * (changes.days - line.centre)), changes.sigma, k, h
    )
    if passed.any():
        # Where wear began late, it is the checks before that depart from the one line: two have to be tried.
        passed &= _over(_bent_rest(changes.days, changes.change), changes.sigma, k, h)
    # Where much of the history departs from the line, it is the line that does not fit.
    return passed if passed.sum() <= n / 4 else np.zeros(n, dtype=bool)


def _bent_rest(days: Floats, change: Floats) -> Floats:
    """What the best robust fit of a level and a line from a knee leaves."""
    fits = []
    for start in np.unique(np.linspace(0, len(days) - 2, BENDS).astype(int)):
        ramp = np.maximum(days - days[start], 0.0)
        if ramp[-1] > 0:
            design = np.column_stack([np.ones_like(ramp), ramp / ramp[-1]])
            rest = change - design @ huber_fit(design, change).beta
            fits.append((float(np.abs(rest).sum()), int(start), rest))
    return min(fits)[2] if fits else change


def _over(rest: Floats, sigma: float, k: float, h: float) -> NDArray[np.bool_]:
    """Checks of departures that a CUSUM signals and that are over."""
    passed = np.zeros(len(rest), dtype=bool)
    for sums in cusum(rest / sigma, 0.0, k, cap=2 * (h + k)):
        begins, signalled = 0, False
        for index, value in enumerate(sums):
            signalled = signalled or value > h
            if value == 0:
                passed[begins:index] |= signalled
                begins, signalled = index + 1, False
        if signalled:
            passed[begins : _back(rest / sigma, begins)] = True
    return passed


def _back(rest: Floats, begins: int) -> int:
    """Where departures (in standard deviations) from `begins` on jumped back and stayed; else `begins`.

    The sum of an episode runs empty over several checks, and meanwhile a clean tip would be called plugged: a
    jump back that chance does not make, to where every check lies where it should, is told straight away.
    """
    back = len(rest)
    while back > begins and abs(rest[back - 1]) <= NEAR:
        back -= 1
    jumped = begins < back < len(rest) and abs(rest[back:].mean() - rest[back - 1]) ** 2 >= PLAIN
    return back if jumped else begins


def shape_of(days: Floats, change: Floats) -> tuple[Shape, Floats]:
    """The shape of a change, and the fitted curve. Arrays of shape (n,), n >= 1."""
    n = len(change)
    if n == 1:
        return _named(float(change[0]), sudden=True, begins=0), change.copy()
    starts = np.unique(np.linspace(1, n - 1, min(n - 1, MOST_STARTS)).astype(int))
    # The latest checks are tried one by one: that is where a change is found.
    starts = np.union1d(starts, np.arange(max(1, n - 20), n))
    step, by_step = min((_step(change, int(start))[0], int(start)) for start in starts)
    drift, by_drift = min((_hinge(days, change, int(start) - 1)[0], int(start)) for start in starts)
    # Of a change that only the latest check shows, both models say the same: it is taken as sudden.
    if step <= drift * (1 + 1e-9) + 1e-18:
        _, size, curve = _step(change, by_step)
        return _named(size, sudden=True, begins=by_step), curve
    _, size, curve = _hinge(days, change, by_drift - 1)
    return _named(size, sudden=False, begins=by_drift), curve


def _begin(group: NDArray[np.int64]) -> NDArray[np.int64]:
    """For each check the index of the first check at like conditions."""
    firsts: dict[int, int] = {}
    return np.array([firsts.setdefault(int(member), index) for index, member in enumerate(group)])


def _on_line(
    days: Floats, change: Floats, rest: Floats, group: NDArray[np.int64], limits: tuple[float, float, float]
) -> Shape | None:
    """A jump on top of a straight drift, where that says more than one change alone, which leaves `rest`.

    Least squares of a line with one jump. The jump must be worth `PLAIN` in the sum of squares, as large as
    the reference value, and still there: the CUSUM of what departs from the line before it must say so.
    """
    sigma, k, h = limits
    first = max(0, len(change) - LONGEST_LINE)
    days, change, rest, group = days[first:], change[first:], rest[first:], group[first:]
    line, begin = np.column_stack([np.ones_like(days), days - days[0]]), _begin(group)
    jumps = [
        (*_jump(line, change, rest, start, begin < start), start)
        for start in range(FEWEST_FOR_LINE, len(days))
    ]
    if not jumps:
        return None
    gain, size, start = max(jumps)
    if gain < PLAIN * sigma**2:
        return None
    before, *_ = np.linalg.lstsq(line[:start], change[:start], rcond=None)
    upper, lower = cusum((change - line @ before) / sigma, 0.0, k, cap=2 * (h + k))
    reference = k * sigma
    if abs(size) < reference or (upper if size > 0 else lower)[-1] <= h:
        return None
    if size < 0 and float(line[start] @ before) < reference:
        return None  # there was no drift to fall from
    return Shape("step" if size > 0 else "plugging", True, first + start, size, on_drift=True)


def _jump(
    line: Floats, y: Floats, rest: Floats, start: int, telling: NDArray[np.bool_]
) -> tuple[float, float]:
    """What a jump at `start` on top of a line takes from the sum of squares, and its size.

    Only checks at conditions met before the jump are `telling`: at new ones the level was made to fit.
    """
    step = (np.arange(len(y)) >= start).astype(float)
    if not telling[start:].any():
        return 0.0, 0.0
    line, step, y = line[telling], step[telling], y[telling]
    with_jump, beta = _squares(np.column_stack([line, step]), y)
    without = min(_squares(line, y)[0], float(rest[telling] @ rest[telling]))
    return without - with_jump, float(beta[2])


def _squares(design: Floats, y: Floats) -> tuple[float, Floats]:
    beta, *_ = np.linalg.lstsq(design, y, rcond=None)
    return float(np.sum((y - design @ beta) ** 2)), np.asarray(beta, dtype=np.float64)


def _named(size: float, *, sudden: bool, begins: int) -> Shape:
    pattern: Pattern = "plugging" if size < 0 else "step" if sudden else "drift"
    return Shape(pattern, sudden, begins, size)


def _step(change: Floats, start: int) -> tuple[float, float, Floats]:
    """Sum of squares, size and curve with one level before `start` and another from there."""
    before, since = float(change[:start].mean()), float(change[start:].mean())
    curve = np.where(np.arange(len(change)) < start, before, since)
    return float(np.sum((change - curve) ** 2)), since - before, curve


def _hinge(days: Floats, change: Floats, start: int) -> tuple[float, float, Floats]:
    """Sum of squares, size and curve with one level until `start` and a straight line from there."""
    ramp = np.maximum(days - days[start], 0.0)
    inner = ramp - ramp.mean()
    squares = float(inner @ inner)
    slope = float(inner @ change) / squares if squares > 0 else 0.0
    curve = change.mean() + slope * inner
    return float(np.sum((change - curve) ** 2)), slope * float(ramp[-1]), curve
