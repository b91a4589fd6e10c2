"""A gun's flows as changes since its parts were new, compared only at like conditions.

A needle that is set anew, another fluid or another pressure moves the flow, and that is no wear. So every set
of like conditions has a level of its own. The first level is the flow of the new part; every later one is
found from its first checks, less the change that had come about until then, which carries the change on.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from agent.assessment.wear_charts import D2_OF_TWO, MOVING_RANGE_LIMIT

Floats = NDArray[np.float64]

LONGEST_HISTORY = 2000
KEPT_FROM_START = 60
CHAIN_CHECKS = 3
"""So many checks fix the level of conditions that are met for the first time later on."""
CARRY_WEIGHT = 0.25
"""EWMA weight with which the change is carried on."""
LINK = 1 / CHAIN_CHECKS + CARRY_WEIGHT / (2 - CARRY_WEIGHT)
"""What a further level adds, in variances of a check: of its first checks and of the change carried on."""
MEDIAN_MOVING_RANGE = 0.9539
"""Median of the range of two unit normal values (d4 of ISO 7870-2)."""
TRIMMED = 0.9755
"""What leaving out ranges beyond the chart's limit takes from the mean range of normal values."""
PRIOR_RANGES = 6
"""The checks' own uncertainty counts for so many moving ranges in the standard deviation."""
SMALLEST_SIGMA = 0.0005
PLAIN_RISE = 4.0
"""So many standard deviations of what chance does is a rise of the checks plain."""
ROUNDS = 3
"""So often the drift is taken anew from the ranges that lie within the limit."""


@dataclass(frozen=True, slots=True)
class WearPoint:
    """One check, as wear sees it."""

    at_s: float
    flow: float
    """g/min, brought to the setup's pot pressure."""
    u: float
    setting: float | None = None
    """Needle setting, in the gun's own unit."""
    pressure_bar: float | None = None
    """The setup's pot pressure."""
    fluid: str | None = None
    grams: float | None = 0.0
    """Grams this gun sprayed since its parts were changed; None where nobody counted them."""

    @property
    def like(self) -> Hashable:
        """What must be equal for two flows to be compared."""
        setting = None if self.setting is None else round(self.setting, 6)
        pressure = None if self.pressure_bar is None else round(self.pressure_bar, 3)
        return (setting, pressure, self.fluid)


@dataclass(frozen=True, slots=True)
class Changes:
    """The change of every check against the new part: ratio of flows, less one."""

    days: Floats
    """Days since the first check, shape (n,)."""
    grams: Floats
    """Sprayed until each check, shape (n,); NaN where that is not known."""
    change: Floats
    group: NDArray[np.int64]
    """Which of the sets of like conditions each check belongs to, shape (n,)."""
    sigma: float
    """Standard deviation of a single check's change."""
    baseline: int
    """How many checks the first level was taken from."""
    u_zero: float
    """Standard uncertainty of the first level, where the first checks do not wear."""
    u_links: float
    """Standard uncertainty of the latest change from the levels that came after the first."""


def bounded(points: Sequence[WearPoint]) -> tuple[WearPoint, ...]:
    """The points in order of time, thinned to `LONGEST_HISTORY`: the baseline and the latest are kept."""
    ordered = sorted((p for p in points if p.flow > 0 and math.isfinite(p.flow)), key=lambda p: p.at_s)
    if len(ordered) <= LONGEST_HISTORY:
        return tuple(ordered)
    return tuple(ordered[:KEPT_FROM_START] + ordered[KEPT_FROM_START - LONGEST_HISTORY :])


def changes_of(points: Sequence[WearPoint], baseline: int | None = None) -> Changes:
    """The changes of `points` (at least one, in order of time).

    `baseline` is how many checks fix the first level; None chooses 5 to 20 so that the level is known to
    about 0.15 % of flow where that can be had.
    """
    log_flow = np.log([point.flow for point in points])
    keys = [point.like for point in points]
    days = np.array([(point.at_s - points[0].at_s) / 86400 for point in points])
    sigma = _sigma(log_flow, keys, [point.u / point.flow for point in points])
    wanted = baseline or int(np.clip(math.ceil((sigma / 0.0015) ** 2), 5, 20))
    slope = _common_slope(log_flow, keys, days)
    change = _chain(log_flow, keys, slope * days, wanted, sigma)
    grams = np.array([math.nan if point.grams is None else point.grams for point in points])
    first = min(wanted, keys.count(keys[0]))
    order = {key: number for number, key in enumerate(dict.fromkeys(keys))}
    group = np.array([order[key] for key in keys])
    u_links = sigma * math.sqrt((len(order) - 1) * LINK)
    return Changes(days, grams, change, group, sigma, first, sigma / math.sqrt(first), u_links)


def _chain(log_flow: Floats, keys: list[Hashable], trend: Floats, wanted: int, sigma: float) -> Floats:
    first_key = keys[0]
    first = [float(value) for value, key in zip(log_flow, keys, strict=True) if key == first_key][:wanted]
    levels: dict[Hashable, float] = {first_key: _level(first, sigma)}
    early: dict[Hashable, list[int]] = {}
    change = np.zeros(len(log_flow))
    # What has come about beyond the trend, so that carrying on does not lag behind it. Where the first checks
    # wear, the very first is off their level: what is carried is brought back to it before it sets out.
    carried = 0.0
    for value, before in reversed(list(zip(first, trend[[key == first_key for key in keys]], strict=False))):
        carried += _news(value - levels[first_key] - float(before) - carried, sigma)
    for index, key in enumerate(keys):
        if key != first_key and len(early.setdefault(key, [])) < CHAIN_CHECKS:
            early[key].append(index)
            before = carried + float(trend[index])
            estimate = float(log_flow[index]) - before
            known = len(early[key]) - 1
            levels[key] = (levels.get(key, 0.0) * known + estimate) / (known + 1)
            for member in early[key]:
                change[member] = log_flow[member] - levels[key]
        else:
            change[index] = log_flow[index] - levels[key]
            carried += _news(float(change[index]) - float(trend[index]) - carried, sigma)
    return np.expm1(change)


def _news(off: float, sigma: float) -> float:
    """What is carried on. What lies outside the chart's limits is no noise to be smoothed: all of it."""
    return off if abs(off) > 3 * sigma else CARRY_WEIGHT * off


def _level(values: list[float], sigma: float) -> float:
    """The mean, without what lies four standard deviations off: one odd check must not spoil the baseline."""
    middle = statistics.median(values)
    near = [value for value in values if abs(value - middle) <= 4 * sigma]
    return statistics.fmean(near if 2 * len(near) > len(values) else values)


def _sigma(log_flow: Floats, keys: list[Hashable], u_rel: list[float]) -> float:
    """Standard deviation of a check from moving ranges at like conditions, steadied by the checks' own u.

    Ranges beyond the moving-range chart's limit (a step between two checks) are left out, as that chart asks.
    Moves from check to check bear a slow trend (J. von Neumann and others, The mean square successive
    difference, 1941, from memory), but a drift as large as the scatter widens them all: their mean is taken
    off first, where it is plain. The moves add up to the last check less the first, so their sum scatters by
    some sqrt(2) sigma, however many they are, and a rise below `PLAIN_RISE` of that widens little. Taking off
    what may be chance would make a false alarm more likely by a tenth.
    """
    moves, apart = _moves(log_flow, keys)
    # The median: of a plugged gun's flow the uncertainty is many times as large as the flow itself.
    own = statistics.median(u_rel)
    ranges, near = np.abs(moves), np.ones(len(moves), dtype=bool)
    for _ in range(ROUNDS if len(moves) else 0):
        near = ranges <= MOVING_RANGE_LIMIT * D2_OF_TWO / MEDIAN_MOVING_RANGE * np.median(ranges)
        # A step is no drift, and one of the two moves of an odd check is none either: the lesser counts.
        rate = min(moves[near].sum() / apart[near].sum(), moves.sum() / apart.sum(), key=abs)
        off = np.abs(moves - apart * rate)
        chance = math.sqrt(2) * float(off[near].mean()) / D2_OF_TWO
        ranges = off if abs(rate) * apart.sum() > PLAIN_RISE * chance else np.abs(moves)
    n = int(near.sum())
    if n < 2:
        return max(own, SMALLEST_SIGMA)
    seen = float(ranges[near].mean()) / (TRIMMED * D2_OF_TWO)
    return max(math.sqrt((n * seen**2 + PRIOR_RANGES * own**2) / (n + PRIOR_RANGES)), SMALLEST_SIGMA)


def _moves(log_flow: Floats, keys: list[Hashable]) -> tuple[Floats, Floats]:
    """From each check to the next at like conditions: by how much it moved, and how many checks later."""
    latest: dict[Hashable, int] = {}
    moves, apart = [], []
    for index, key in enumerate(keys):
        if key in latest:
            moves.append(float(log_flow[index] - log_flow[latest[key]]))
            apart.append(float(index - latest[key]))
        latest[key] = index
    return np.array(moves), np.array(apart)


def _common_slope(log_flow: Floats, keys: list[Hashable], days: Floats) -> float:
    """Drift per day common to all like conditions (each with a level of its own), 0 where none is plain."""
    centred_y, centred_t = np.empty(len(keys)), np.empty(len(keys))
    groups = {key: np.array([other == key for other in keys]) for key in dict.fromkeys(keys)}
    for member in groups.values():
        centred_y[member] = log_flow[member] - log_flow[member].mean()
        centred_t[member] = days[member] - days[member].mean()
    dof = len(keys) - len(groups) - 1
    spread = float(centred_t @ centred_t)
    if dof < 8 or spread <= 0:
        return 0.0
    slope = float(centred_t @ centred_y) / spread
    residual = centred_y - slope * centred_t
    u = math.sqrt(float(residual @ residual) / dof / spread)
    return slope if abs(slope) > 4 * u else 0.0
