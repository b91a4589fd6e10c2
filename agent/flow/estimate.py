"""From a window's readings to the grams dispensed: the joint fit, what the data carry, and the noise."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from agent.detection.window import Floats, Window
from agent.flow.curve import (
    AMOUNTS,
    BEND,
    DRIP,
    FLOW,
    LENGTH,
    LOG_DRIP,
    LOG_LAG,
    LOG_SLOW,
    LOSS,
    SIZE,
    SLOW,
    START,
    Axis,
    axis,
    curve_of,
    dispensed_g,
    dispensed_gradient,
    drip_column,
    slow_column,
)
from agent.flow.evaporation import Rate, weighed
from agent.flow.first_look import FirstLook, first_look
from agent.flow.joint import Data, Joint, Prior, fit, gain_by, tukey
from agent.flow.known import Known
from agent.flow.noise import noise_of, root_mean_square
from agent.flow.plateaus import DITHERED, stand_in
from agent.flow.priors import DRIP_S, LOSS_U, SLOW_MOST_S, SLOW_S, prior_of, start_of
from agent.flow.surroundings import Surroundings
from agent.flow.tones import tones

WORTH = 7.0
"""What a drip or a slow start must promise to gain before it is fitted: about the penalty of BIC."""
ROUNDED_NOISE = (0.05, 0.1, 0.2, 0.35)
"""Noises of a reading before rounding that are tried, in d, on a scale coarser than its noise."""
ROUNDED = 0.36
"""Spread of a ramp about its curve, in d, up to which it is rounding: d over root 12 and a little noise."""
TOLD_PER_STEP = 3.0
"""Independent readings that a ramp gives for each step it crosses (choice of ours)."""
BETTER = 2.0
"""How much lower minus twice the log evidence must be."""
ASTRAY = 6.0
"""So much higher and a wider curve's fit was not at its end."""
BEGIN_S = 0.05
"""Seconds of flow that a drip or a slow start is tried with first."""
HIDDEN_S = 0.04
"""Surge or slow start that a coarse scale may hide, in seconds of flow (standard uncertainty)."""
IDLE_WIDER = 2.0
"""How much the uncertainty of a rate seen at rest is widened before it is used (choice of ours)."""
FLUCTUATION = 0.15
"""Relative standard deviation of the mean evaporation in a dispense from that around it (common practice)."""


@dataclass(frozen=True, slots=True, eq=False)
class Left:
    """What a fit leaves over. Shapes (n,)."""

    residual_g: Floats
    """Readings less the curve and less steady vibration."""
    noise_g: Floats
    """Standard deviation of each reading."""
    weight: Floats
    """How much each reading counts, 0 to 1."""


@dataclass(frozen=True, slots=True, eq=False)
class Readings:
    """A window's readings, vibration taken out."""

    on: Axis
    mass_g: Floats
    resolution_g: float

    @property
    def rounding_g(self) -> float:
        """Standard uncertainty of a rounded reading, d over root 12."""
        return self.resolution_g / math.sqrt(12.0)

    def left_by(self, joint: Joint, noise_g: Floats, *, typical: bool = False) -> Left:
        """What a fit leaves of them, and the noise that this shows.

        `noise_g` tells what to leave out of it; `typical` takes the median, which forgives yet more.
        """
        residual = self.mass_g - curve_of(self.on, joint.at)
        noise = noise_of(
            self.on.t_s, joint.at, residual, tukey(residual / noise_g) > 0, self.rounding_g, typical=typical
        )
        return Left(residual, noise, tukey(residual / noise))


@dataclass(frozen=True, slots=True, eq=False)
class Parts:
    """Standard uncertainties of the grams, by where they come from."""

    readings_g: float
    rounding_g: float
    drift_g: float
    drift_half_g: float
    """Half the width of the 95 % interval of the drift: its distribution may be far from normal."""
    timing_g: float
    """By what is assumed of the valve's delays, where the plateaus do not tell the grams by themselves."""
    shape_g: float
    """By what is assumed of droop, jet, drip and lag."""


NO_PARTS = Parts(0.0, 0.0, 0.0, 0.0, 0.0, 0.0)


@dataclass(frozen=True, slots=True, eq=False)
class Estimate:
    """What the readings say, in the scale's own grams."""

    look: FirstLook
    t_s: Floats
    """Times of the readings from the opening, shape (n,)."""
    left: Left
    joint: Joint
    prior: Prior
    rate: Rate
    mass_g: float
    parts: Parts
    dof: float

    @property
    def start_s(self) -> float:
        """When liquid began to arrive, seconds from the opening."""
        return float(self.joint.at[AMOUNTS + START])

    @property
    def end_s(self) -> float:
        """When it ended, seconds from the opening."""
        return self.start_s + float(self.joint.at[AMOUNTS + LENGTH])

    @property
    def u_mass_g(self) -> float:
        """Standard uncertainty of the grams, by the readings and the fit's priors."""
        parts = self.parts
        return math.hypot(parts.readings_g, parts.rounding_g, parts.drift_g, parts.timing_g, parts.shape_g)

    def amount(self, which: int) -> Known:
        """One of the curve's amounts."""
        return Known(float(self.joint.at[which]), math.sqrt(max(self.joint.covariance[which, which], 0.0)))

    def time(self, which: int) -> Known:
        """One of the curve's times."""
        return self.amount(AMOUNTS + which)

    def longer_than(self, open_s: float) -> Known | None:
        """How much longer liquid ran than `open_s`, by the curve alone: the prior is taken out again."""
        which = AMOUNTS + LENGTH
        after, before = float(self.joint.covariance[which, which]), float(self.prior.u[which]) ** 2
        if not 0.0 < after < 0.95 * before:
            return None
        precision = 1.0 / after - 1.0 / before
        value = (self.joint.at[which] / after - self.prior.mean[which] / before) / precision
        return Known(float(value) - open_s, math.sqrt(1.0 / precision))


def estimate(window: Window, around: Surroundings) -> Estimate:
    """Fit the window's readings. Expects at least 8 finite readings in rising order of time."""
    t_s = window.t_s - window.opened_s
    told_s = window.open_s if window.open_s is not None else window.closed_s - window.opened_s
    d = around.scale.resolution_g
    look = first_look(t_s, window.mass_g, told_s, d)
    length = told_s if window.open_s is not None else look.length_s
    on = axis(t_s, 0.5 * length, max(0.5 * length, 10.0))
    prior = prior_of(window, around, look, told_s)
    plain = prior.without(drip=True, slow=True)
    joint, left = _first_fit(Readings(on, window.mass_g, d), plain, look, told=window.open_s is not None)
    # A ramp's rounding is a saw tooth of its own: only readings that dither at rest can show a vibration.
    shaking = left.noise_g[0] > DITHERED * d
    hum = tones(t_s, left.residual_g, left.weight) if shaking else np.zeros_like(t_s)
    readings = Readings(on, window.mass_g - hum, d)
    left = readings.left_by(joint, left.noise_g)
    seen = _condensed(readings, joint, left)
    joint = fit(seen, plain, joint.at)
    noise_d = _noise_before_rounding(seen, plain, joint, d)
    if noise_d is not None:
        seen = _condensed(readings, joint, left, noise_d)
        joint = fit(seen, plain, joint.at)
    chosen, joint = _chosen(seen, prior, joint)
    left = readings.left_by(joint, left.noise_g)
    if np.any(chosen.u != plain.u):
        # What looked like noise was shape; with less noise the right shape can be told from a likely one.
        seen = _condensed(readings, joint, left, noise_d)
        chosen, joint = _chosen(seen, prior, fit(seen, plain, joint.at), start=joint.at)
        left = readings.left_by(joint, left.noise_g)
    chosen = _bending(chosen, joint)
    seen = _condensed(readings, joint, left, noise_d)
    joint = fit(seen, chosen, joint.at)
    left = readings.left_by(joint, left.noise_g)
    raw = Estimate(look, t_s, left, joint, chosen, Rate(Known(0.0, LOSS_U), False), 0.0, NO_PARTS, 1.0)
    return _weighed(window, around, raw, seen)


def _first_fit(readings: Readings, plain: Prior, look: FirstLook, *, told: bool) -> tuple[Joint, Left]:
    # Wide first: near the edges a wrong start would else be taken for a bump and left out.
    at = start_of(plain, look, told=told)
    least = max(look.noise_g, readings.rounding_g)
    n = readings.mass_g.size
    for width, steps in ((0.3, 4), (0.08, 4)):
        wide = np.full(n, max(least, width * abs(at[FLOW])))
        joint = fit(Data(readings.on, readings.mass_g, wide), plain, at, steps=steps)
        at = joint.at
    # The noise by what this leaves, not by the plateaus': a ramp that surges a little must not be left out
    # whole.
    left = readings.left_by(joint, wide, typical=True)
    joint = fit(Data(readings.on, readings.mass_g, left.noise_g), plain, at)
    return joint, readings.left_by(joint, left.noise_g)


def _noise_before_rounding(data: Data, prior: Prior, joint: Joint, d: float) -> float | None:
    # How sharply the ramp steps over the edges between two values tells the noise; the plateaus cannot.
    if data.half_g is None:
        return None
    between = data.half_g > 0
    costs = []
    for noise_d in ROUNDED_NOISE:
        noise = np.where(between, noise_d * d, data.noise_g)
        costs.append(
            fit(Data(data.on, data.mass_g, noise, data.half_g, data.told), prior, joint.at, steps=3).cost
        )
    return ROUNDED_NOISE[int(np.argmin(costs))]


def _chosen(data: Data, prior: Prior, joint: Joint, *, start: Floats | None = None) -> tuple[Prior, Joint]:
    # Drip and slow start are fitted where the evidence is for them: a score test first, for it is cheap.
    always = data.half_g is not None
    if always:
        # On a coarse scale the grams rest on the ramp, and a surge or a slow start hides between two steps.
        prior = prior.narrowed(SLOW, HIDDEN_S / SLOW_MOST_S)
    drips = start is not None or _promising(data, joint, drip=True)
    slows = start is not None or always or _promising(data, joint, drip=False)
    best = prior.without(drip=True, slow=True), joint
    for drip, slow in ((False, True), (True, False), (True, True)):
        if (drip and not drips) or (slow and not slows) or (always and not slow):
            continue
        wider = prior.without(drip=not drip, slow=not slow)
        begin = (joint.at if start is None else start).copy()
        for wanted, amount, which, known in ((drip, DRIP, LOG_DRIP, DRIP_S), (slow, SLOW, LOG_SLOW, SLOW_S)):
            if not wanted:
                begin[amount] = 0.0
            elif begin[amount] == 0.0:
                begin[amount], begin[AMOUNTS + which] = BEGIN_S * begin[FLOW], math.log(known.value)
        other = fit(data, wider, begin)
        if other.cost > joint.cost + ASTRAY:
            # A wider curve cannot be worse: it went astray, and begins anew from what is usual.
            begin[AMOUNTS + LOG_LAG], begin[LOSS] = prior.mean[AMOUNTS + LOG_LAG], 0.0
            begin[AMOUNTS + START] = prior.mean[AMOUNTS + START]
            amounts_first = Prior(begin, np.where(np.arange(SIZE) < AMOUNTS, wider.u, 0.0))
            other = fit(data, wider, fit(data, amounts_first, begin, steps=3).at)
        unphysical = drip and other.at[DRIP] < 0
        if not unphysical and ((always and best[1] is joint) or other.cost < best[1].cost - BETTER):
            best = wider, other
    return best


def _promising(data: Data, joint: Joint, *, drip: bool) -> bool:
    column = drip_column if drip else slow_column
    return any(gain_by(joint, column(data.on, joint.at, tau_s)) > WORTH for tau_s in (0.3, 1.5))


def _bending(prior: Prior, joint: Joint) -> Prior:
    u = prior.u.copy()
    u[BEND] = 1e-4 + 0.15 * abs(float(joint.at[LOSS]))
    return Prior(prior.mean, u)


def _condensed(readings: Readings, joint: Joint, left: Left, noise_d: float | None = None) -> Data:
    """The data for a fit, each plateau that does not dither replaced by its stand-in."""
    on, at, d = readings.on, joint.at, readings.resolution_g
    t_s = on.t_s
    start, lag = float(at[AMOUNTS + START]), math.exp(float(at[AMOUNTS + LOG_LAG]))
    end = start + float(at[AMOUNTS + LENGTH])
    settled = end + float(np.clip(0.4 * (t_s[-1] - end), max(1.5, 6.0 * lag), 5.0))
    kept = np.ones(t_s.size, dtype=bool)
    extra: list[tuple[float, float, float]] = []
    for part in (t_s < start - 0.3, t_s > settled):
        rest = part & (left.weight > 0)
        if rest.sum() < 4 or np.std(readings.mass_g[rest]) > DITHERED * d:
            continue
        found = stand_in(t_s[rest], readings.mass_g[rest], d, noise_d or DITHERED)
        if found is not None:
            kept &= ~part
            extra += [(t, m, found.noise_g) for t, m in zip(found.t_s, found.mass_g, strict=True)]
    if not extra:
        return Data(on, readings.mass_g, left.noise_g)
    added = np.array(extra)
    stood = axis(np.concatenate((t_s[kept], added[:, 0])), on.middle_s, on.half_s)
    mass = np.concatenate((readings.mass_g[kept], added[:, 1]))
    spraying = (t_s > start) & (t_s < end) & (left.weight > 0)
    if not spraying.any() or root_mean_square(left.residual_g[spraying]) > ROUNDED * d:
        return Data(stood, mass, np.concatenate((left.noise_g[kept], added[:, 2])))
    # The ramp crosses the steps one after the other; there each reading is an interval of its own.
    n = int(kept.sum())
    noise = np.concatenate((np.full(n, (noise_d or ROUNDED_NOISE[1]) * d), added[:, 2]))
    half = np.concatenate((np.full(n, 0.5 * d), np.zeros(len(extra))))
    steps = abs(float(at[FLOW])) * (end - start) / d
    told = min(TOLD_PER_STEP * max(steps, 1.0) / max(n, 1), 1.0)
    return Data(stood, mass, noise, half, told)


def _weighed(window: Window, around: Surroundings, raw: Estimate, data: Data) -> Estimate:
    """The grams with the evaporation that is likely, and the parts of their uncertainty."""
    joint, volatile = raw.joint, around.fluid is None or around.fluid.volatile
    gradient = dispensed_gradient(joint.at)
    by_all = joint.covariance @ gradient
    seen = raw.amount(LOSS)
    # The fit's own wide prior is taken out again, so that it is not counted twice.
    precision = max(1.0 / seen.u**2 - 1.0 / LOSS_U**2, 1e-6)
    alone = Known(seen.value / seen.u**2 / precision, math.sqrt(1.0 / precision))
    rate = weighed(alone, volatile=volatile, before=_rates_before(window, around))
    by_rate = float(by_all[LOSS]) / seen.u**2
    length = max(float(joint.at[AMOUNTS + LENGTH]), 0.0)
    fluctuating = FLUCTUATION * abs(rate.known.value) * length
    used = float(np.sum(raw.left.weight)) - np.count_nonzero(raw.prior.u)
    return replace(
        raw,
        rate=rate,
        mass_g=dispensed_g(joint.at) + by_rate * (rate.known.value - seen.value),
        parts=_parts(
            raw,
            data,
            by_all,
            d=around.scale.resolution_g,
            drift=(
                math.hypot(by_rate * rate.known.u, fluctuating),
                math.hypot(by_rate * rate.half_width, 1.96 * fluctuating),
            ),
        ),
        dof=max(used, 1.0),
    )


def _rates_before(window: Window, around: Surroundings) -> tuple[Known, ...]:
    # Both may have changed a little since; calm stretches share readings with the plateau before the
    # dispense.
    known = []
    if window.idle_slope_g_per_s is not None and window.u_idle_slope_g_per_s is not None:
        rate, u = -window.idle_slope_g_per_s, window.u_idle_slope_g_per_s
        if math.isfinite(rate) and math.isfinite(u) and u > 0:
            known.append(Known(rate, math.sqrt((IDLE_WIDER * u) ** 2 + (0.15 * rate) ** 2 + 2e-4**2)))
    if around.learned.evaporation is not None:
        learned = around.learned.evaporation
        known.append(Known(learned.value, math.hypot(learned.u, 2e-4)))
    return tuple(known)


def _parts(raw: Estimate, data: Data, by_all: Floats, *, d: float, drift: tuple[float, float]) -> Parts:
    # The variance of a penalised fit is the sum of what each reading and each prior brings (JCGM 100, 5.1.2):
    # covariance (J' W J + P) covariance = covariance.
    joint, prior = raw.joint, raw.prior
    # Without the part along the loss, which the drift's own line stands for.
    along = by_all[LOSS] / joint.covariance[LOSS, LOSS]
    rest = by_all - along * joint.covariance[:, LOSS]
    by_reading = np.square(joint.slopes @ rest) * joint.information
    share = np.minimum(d**2 / 12.0 / np.square(data.noise_g), 1.0)
    if data.half_g is not None:
        share = np.ones_like(share)
    rounding = float(by_reading @ share)
    readings = float(by_reading.sum()) - rounding
    free = np.flatnonzero(prior.u > 0)
    by_prior = np.zeros(SIZE)
    by_prior[free] = np.square(rest[free] / prior.u[free])
    times = [AMOUNTS + START, AMOUNTS + LENGTH]
    timing = float(by_prior[times].sum())
    by_prior[[*times, LOSS]] = 0.0
    return Parts(
        math.sqrt(max(readings, 0.0)),
        math.sqrt(rounding),
        *drift,
        math.sqrt(timing),
        math.sqrt(float(by_prior.sum())),
    )
