"""From a window's readings to the grams dispensed: the joint fit, what the data carry, and the noise."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from agent.detection.window import Floats, Window
from agent.flow.choosing import chosen, of_another_length, roughly_chosen
from agent.flow.coarse import Coarse
from agent.flow.curve import (
    AMOUNTS,
    BEND,
    DRIP,
    FLOW,
    JET,
    LENGTH,
    LOG_DRIP,
    LOG_LAG,
    LOG_SLOW,
    LOSS,
    SLOW,
    START,
    axis,
    dispensed_g,
    dispensed_gradient,
    slow_column,
)
from agent.flow.evaporation import Rate, weighed
from agent.flow.first_look import FirstLook, first_look
from agent.flow.joint import Data, Joint, Prior, fit
from agent.flow.known import Known
from agent.flow.parts import NO_PARTS, Parts, parts_of
from agent.flow.plateaus import DITHERED
from agent.flow.priors import LOSS_U, prior_of, start_of
from agent.flow.readings import Left, Readings
from agent.flow.surroundings import Surroundings
from agent.flow.vibration import aliased_to_a_slope, beside_vibration, without_tones
from agent.flow.zero_tracking import seen_after_alone

ROUGH_S, ROUGH_STEPS = (0.3, 0.08), 4
"""Noise of the rough fits in seconds of flow, and how many steps they take."""
WALK = 1e-4
"""How far a rate may walk from shot to shot, g/s (choice of ours)."""
DISAGREES = 3.0
"""Two rates disagree from so many standard uncertainties on."""
IDLE_WIDER = 2.0
"""How much the uncertainty of a rate seen at rest is widened before it is used (choice of ours)."""
SLOW_FILTER_S, ALIKE_GRAMS, ALIKE_TIME = 0.25, 0.15, 0.35
"""From such a lag on a slow start and a drip may be the filter's: where logarithms differ by less (ours)."""
FLUCTUATION = 0.18
"""Relative standard deviation of the mean evaporation in a dispense from that around it (common practice)."""


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
    apart_g: float = 0.0
    """How far the grams are from each other by the frequencies that slow waves may have."""
    aliased: tuple[float, float] = (0.0, 0.0)
    """Chance that the readings alias some vibration to a slow wave, and the slope that it fakes then, g/s."""

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

    @property
    def lag_s(self) -> float:
        """Time constant of the scale's filter, s."""
        return math.exp(float(self.joint.at[AMOUNTS + LOG_LAG]))

    def by_filter_g(self) -> float:
        """Grams of slow start and of drip that are the filter's: what begins and ends alike.

        A scale whose filter is no simple lag (a moving average, two stages) holds as much back at the
        beginning as it shows too late at the end, over the same time. Guns hardly ever do.
        """
        at = self.joint.at
        drip, slow = float(at[DRIP]), float(at[SLOW])
        if self.lag_s < SLOW_FILTER_S or min(drip, slow) <= 0.0:
            return 0.0
        apart = abs(math.log(drip / slow)), abs(float(at[AMOUNTS + LOG_DRIP] - at[AMOUNTS + LOG_SLOW]))
        return min(drip, slow) if apart[0] < ALIKE_GRAMS and apart[1] < ALIKE_TIME else 0.0

    def held_back_g(self) -> Floats:
        """What the scale's filter does not show yet of a steady flow, less the jet's push: shape (n,)."""
        since = np.maximum(self.t_s - self.start_s, 0.0)
        late_g = float(self.joint.at[FLOW]) * self.lag_s - float(self.joint.at[JET])
        held_g = late_g * (1.0 - np.exp(-since / self.lag_s))
        by_filter_g = self.by_filter_g()
        if by_filter_g:
            on, tau_s = axis(self.t_s, 0.0, 1.0), math.exp(float(self.joint.at[AMOUNTS + LOG_SLOW]))
            held_g = held_g - by_filter_g * slow_column(on, self.joint.at, tau_s)
        return np.asarray(held_g)

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
    usual = around.learned.noise_g
    readings = Readings(on, window.mass_g, d, usual_g=0.0 if usual is None else usual.value)
    rough, joint, left = _roughly(readings, prior, look, told=window.open_s is not None)
    # A ramp's rounding is a saw tooth of its own: only readings that dither at rest can show a vibration.
    if left.at_rest_g > DITHERED * d:
        readings, joint, left = without_tones(
            readings, window.mass_g, (rough, prior), joint, left, volatile=_volatile(around)
        )
    wanted, joint, left, coarse = _shaped(readings, prior, rough, joint, left, hidden=window.open_s is None)
    if window.open_s is not None:
        wanted, joint = of_another_length(coarse.data(joint, left), prior, wanted, joint, look)
        left = readings.left_by(joint, left.spread_g)
    wanted = _bending(wanted, joint)
    seen = coarse.data(joint, left)
    joint = fit(seen, wanted, joint.at)
    left = readings.left_by(joint, left.spread_g)
    if seen.on is readings.on:
        readings, joint, left = beside_vibration(readings, window.mass_g, wanted, joint, left)
    rate = Rate(Known(0.0, LOSS_U))
    aliased = aliased_to_a_slope(readings, length)
    raw = Estimate(look, t_s, left, joint, wanted, rate, 0.0, NO_PARTS, 1.0, readings.doubt.apart_g, aliased)
    return _weighed(window, around, raw, seen)


def _roughly(readings: Readings, prior: Prior, look: FirstLook, *, told: bool) -> tuple[Prior, Joint, Left]:
    # Wide first: near the edges a wrong start, or a drip, would else be taken for bumps and left out.
    plain = prior.without(drip=True, slow=True)
    at = start_of(plain, look, told=told)
    least = max(look.noise_g, readings.rounding_g)
    for width in ROUGH_S:
        wide = np.full(readings.mass_g.size, max(least, width * abs(at[FLOW])))
        data = Data(readings.on, readings.mass_g, wide)
        joint = fit(data, plain, at, steps=ROUGH_STEPS)
        at = joint.at
    rough, joint = roughly_chosen(data, prior, joint)
    # The noise by what this leaves, not by the plateaus': a ramp that surges a little must not be left out.
    left = readings.left_by(joint, wide, first=True)
    joint = fit(readings.data(left), rough, joint.at)
    return rough, joint, readings.left_by(joint, left.spread_g, first=True)


def _shaped(
    readings: Readings, prior: Prior, rough: Prior, joint: Joint, left: Left, *, hidden: bool
) -> tuple[Prior, Joint, Left, Coarse]:
    # The right shape, at the noise that a likely one leaves.
    plain = prior.without(drip=True, slow=True)
    is_plain = bool(np.all(rough.u == plain.u))
    left = readings.left_by(joint, left.spread_g, first=is_plain)
    coarse = Coarse(readings)
    seen = coarse.data(joint, left)
    joint = fit(seen, rough, joint.at)
    if coarse.learn_noise(seen, rough, joint):
        seen = coarse.data(joint, left)
        joint = fit(seen, rough, joint.at)
    if is_plain:
        wanted, joint = chosen(seen, prior, joint, hidden=hidden)
        left = readings.left_by(joint, left.spread_g)
        is_plain = bool(np.all(wanted.u == plain.u))
        seen = coarse.data(joint, left)
    if not is_plain:
        # What looked like noise was shape; with less noise the right shape can be told from a likely one.
        wanted, joint = chosen(seen, prior, fit(seen, plain, joint.at), start=joint.at, hidden=hidden)
        left = readings.left_by(joint, left.spread_g)
    return wanted, joint, left, coarse


def _bending(prior: Prior, joint: Joint) -> Prior:
    u = prior.u.copy()
    u[BEND] = 1e-4 + 0.15 * abs(float(joint.at[LOSS]))
    return Prior(prior.mean, u)


def _weighed(window: Window, around: Surroundings, raw: Estimate, data: Data) -> Estimate:
    """The grams with the evaporation that is likely, and the parts of their uncertainty."""
    joint = raw.joint
    gradient = dispensed_gradient(joint.at)
    by_all = joint.covariance @ gradient
    seen = raw.amount(LOSS)
    # The fit's own wide prior is taken out again, so that it is not counted twice.
    precision = max(1.0 / seen.u**2 - 1.0 / LOSS_U**2, 1e-6)
    alone = Known(seen.value / seen.u**2 / precision, math.sqrt(1.0 / precision))
    rate = weighed(alone, volatile=_volatile(around), before=_rate_before(window, around), astray=raw.aliased)
    if window.is_zero_held:
        rate = seen_after_alone(rate)
    by_rate = float(by_all[LOSS]) / seen.u**2
    length = max(float(joint.at[AMOUNTS + LENGTH]), 0.0)
    fluctuating = FLUCTUATION * abs(rate.known.value) * length
    # More loss means more liquid: the grams reach as far down as the rate does (by_rate is positive).
    reaches = (rate.below, rate.above) if by_rate >= 0 else (rate.above, rate.below)
    used = float(np.sum(raw.left.weight)) - np.count_nonzero(raw.prior.u)
    return replace(
        raw,
        rate=rate,
        mass_g=dispensed_g(joint.at) + by_rate * (rate.known.value - seen.value),
        parts=parts_of(
            joint,
            raw.prior,
            data,
            by_all,
            d=around.scale.resolution_g,
            drift=(
                math.hypot(by_rate * rate.known.u, fluctuating),
                math.hypot(by_rate * reaches[0], 1.96 * fluctuating),
                math.hypot(by_rate * reaches[1], 1.96 * fluctuating),
            ),
            apart_g=raw.apart_g,
        ),
        dof=max(used, 1.0),
    )


def _rate_before(window: Window, around: Surroundings) -> Known | None:
    # Both may have changed a little since; calm stretches share readings with the plateau before.
    idle: Known | None = None
    if window.idle_slope_g_per_s is not None and window.u_idle_slope_g_per_s is not None:
        rate, u = -window.idle_slope_g_per_s, window.u_idle_slope_g_per_s
        if math.isfinite(rate) and math.isfinite(u) and u > 0:
            idle = Known(rate, math.sqrt((IDLE_WIDER * u) ** 2 + (0.15 * rate) ** 2 + WALK**2))
    if around.learned.evaporation is None:
        return idle
    learned = Known(around.learned.evaporation.value, math.hypot(around.learned.evaporation.u, WALK))
    if idle is None:
        return learned
    # Where they disagree the newer one counts.
    agree = abs(idle.value - learned.value) <= DISAGREES * math.hypot(idle.u, learned.u)
    return idle.joined(learned) if agree else idle


def _volatile(around: Surroundings) -> bool:
    return around.fluid is None or around.fluid.volatile
