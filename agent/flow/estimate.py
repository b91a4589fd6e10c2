"""From a window's readings to the grams dispensed: priors, the joint fit, what the data carry, the noise."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from agent.detection.window import Floats, Window
from agent.flow.curve import (
    AMOUNTS,
    BEND,
    DRIP,
    DROOP,
    FLOW,
    JET,
    LENGTH,
    LEVEL,
    LOG_DRIP,
    LOG_LAG,
    LOG_SLOW,
    LOSS,
    SLOW,
    START,
    Axis,
    axis,
    dispensed_g,
)
from agent.flow.evaporation import Rate, weighed
from agent.flow.first_look import FirstLook, first_look
from agent.flow.joint import SIZE, Joint, Prior, fit, held
from agent.flow.known import Known
from agent.flow.surroundings import Surroundings

VALVE_DELAY_S = Known(0.08, 0.15)
"""From the command to the liquid's arrival on the pan (common practice, no source)."""
VALVE_DIFFERENCE_S = Known(0.0, 0.05)
"""Delay of closing less delay of opening (common practice, no source)."""
LAG_S = Known(0.2, 0.9)
"""Time constant of a scale's filter; u of its logarithm (common practice, no source)."""
DRIP_S = Known(0.5, 0.7)
"""Time constant of the drip after closing; u of its logarithm (common practice, no source)."""
SLOW_S = Known(0.6, 0.7)
"""Time constant of a slow start; u of its logarithm (common practice, no source)."""
LOSS_U = 0.05
"""Largest evaporation that is thought of, g/s, as a standard uncertainty."""


@dataclass(frozen=True, slots=True, eq=False)
class Estimate:
    """What the readings say, in the scale's own grams."""

    look: FirstLook
    on: Axis
    joint: Joint
    prior: Prior
    noise_g: Floats
    """Standard deviation of each reading that the fit used, shape (n,)."""
    rate: Rate
    mass_g: float
    u_readings_g: float
    u_rounding_g: float
    u_drift_g: float
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
    def rest_noise_g(self) -> float:
        """Standard deviation of a reading at rest, g."""
        return float(self.noise_g[0])

    @property
    def drip_g(self) -> float:
        """What dripped after closing, g."""
        return float(self.joint.at[DRIP])

    def amount(self, which: int) -> Known:
        """One of the curve's amounts."""
        return Known(float(self.joint.at[which]), math.sqrt(max(self.joint.covariance[which, which], 0.0)))

    def time(self, which: int) -> Known:
        """One of the curve's times."""
        return self.amount(AMOUNTS + which)

    def time_from_curve(self, open_s: float | None) -> Known | None:
        """How much longer liquid ran than `open_s`, by the curve alone: the prior is taken out again."""
        which = AMOUNTS + LENGTH
        after, before = float(self.joint.covariance[which, which]), float(self.prior.u[which]) ** 2
        if open_s is None or not 0.0 < after < 0.95 * before:
            return None
        precision = 1.0 / after - 1.0 / before
        value = (self.joint.at[which] / after - self.prior.mean[which] / before) / precision
        return Known(float(value) - open_s, math.sqrt(1.0 / precision))

    def flow_by_tenths(self) -> tuple[Floats, Floats]:
        """Mean flow of each tenth of the ramp, g/s, and standard uncertainties; shape (10,) or empty."""
        at = self.joint.at
        edges = np.linspace(self.start_s + 0.5, self.end_s, 11)
        flows, u = [], []
        for low, high in pairwise(edges):
            inside = (self.on.t_s >= low) & (self.on.t_s < high) & (self.joint.weight > 0)
            if inside.sum() < 4:
                continue
            t = self.on.t_s[inside]
            centred = t - t.mean()
            spread = float(centred @ centred)
            flows.append(at[FLOW] + float(centred @ self.joint.residual_g[inside]) / spread)
            u.append(float(np.mean(self.noise_g[inside])) / math.sqrt(spread))
        return np.array(flows), np.array(u)

    def interruptions(self) -> int:
        """How often it breaks off or spurts: for two readings it is under half or over 1.5 of the mean."""
        at = self.joint.at
        inside = (self.on.t_s > self.start_s + 1.0) & (self.on.t_s < self.end_s)
        if inside.sum() < 6:
            return 0
        t, residual = self.on.t_s[inside], self.joint.residual_g[inside]
        gaps = t[2:] - t[:-2]
        odd = (residual[2:] - residual[:-2]) / gaps
        u = math.sqrt(2.0) * self.rest_noise_g / gaps
        broken = np.abs(odd) > np.maximum(0.5 * abs(at[FLOW]), 5.0 * u)
        return int(np.sum(np.diff(broken.astype(int)) == 1))


def estimate(window: Window, around: Surroundings) -> Estimate:
    """Fit the window's readings. Expects at least 4 finite readings in rising order of time."""
    t_s = window.t_s - window.opened_s
    told_s = window.open_s if window.open_s is not None else window.closed_s - window.opened_s
    look = first_look(t_s, window.mass_g, told_s, around.scale.resolution_g)
    on = axis(t_s, 0.5 * told_s)
    prior = _prior(window, around, look, told_s)
    start = _start(prior, look, window)
    rounding = around.scale.resolution_g / math.sqrt(12.0)
    noise = np.full(t_s.size, max(look.noise_g, rounding))
    chosen = held(prior, drip=False, slow=False)
    joint = fit(on, window.mass_g, noise, chosen, start)
    noise = _noise(on, joint, rounding)
    joint = fit(on, window.mass_g, noise, chosen, joint.at)
    for drip, slow in ((True, False), (False, True), (True, True)):
        wider = held(prior, drip=drip, slow=slow)
        begin = joint.at.copy()
        begin[AMOUNTS + LOG_DRIP], begin[AMOUNTS + LOG_SLOW] = math.log(DRIP_S.value), math.log(SLOW_S.value)
        for wanted, amount in ((drip, DRIP), (slow, SLOW)):
            if wanted and begin[amount] == 0:
                begin[amount] = 0.02 * begin[FLOW]
        other = fit(on, window.mass_g, noise, wider, begin)
        if other.cost < joint.cost - 4.0:
            joint, chosen = other, wider
    noise = _noise(on, joint, rounding)
    joint = fit(on, window.mass_g, noise, chosen, joint.at)
    return _weighed(
        around, Estimate(look, on, joint, chosen, noise, Rate(Known(0.0, LOSS_U), False), 0, 0, 0, 0, 1)
    )


def _weighed(around: Surroundings, raw: Estimate) -> Estimate:
    """The mass with the evaporation that is likely, and the parts of its uncertainty."""
    joint, volatile = raw.joint, around.fluid is None or around.fluid.volatile
    gradient = mass_gradient(joint.at)
    variance = float(gradient @ joint.covariance @ gradient)
    seen = raw.amount(LOSS)
    # The fit's own wide prior is taken out again, so that it is not counted twice.
    precision = max(1.0 / seen.u**2 - 1.0 / LOSS_U**2, 1e-6)
    alone = Known(seen.value / seen.u**2 / precision, math.sqrt(1.0 / precision))
    rate = weighed(alone, volatile=volatile, learned=around.learned.evaporation)
    by_rate = float(gradient @ joint.covariance[:, LOSS]) / seen.u**2
    mass = dispensed_g(joint.at[:AMOUNTS], joint.at[AMOUNTS:]) + by_rate * (rate.known.value - seen.value)
    readings = math.sqrt(max(variance - (by_rate * seen.u) ** 2, 0.0))
    d = around.scale.resolution_g
    true_noise = math.sqrt(max(raw.rest_noise_g**2 - d**2 / 12.0, 0.0))
    rounding = d / math.sqrt(6.0) * math.exp(-2.0 * math.pi**2 * (true_noise / d) ** 2)
    used = float(np.sum(joint.weight)) - np.count_nonzero(raw.prior.u)
    return replace(
        raw,
        rate=rate,
        mass_g=mass,
        u_readings_g=readings,
        u_rounding_g=rounding,
        u_drift_g=abs(by_rate) * rate.known.u,
        dof=max(used, 1.0),
    )


def mass_gradient(at: Floats) -> Floats:
    """Derivatives of the dispensed grams by the parameters, shape (SIZE,)."""
    gradient = np.zeros(SIZE)
    gradient[FLOW] = at[AMOUNTS + LENGTH]
    gradient[AMOUNTS + LENGTH] = at[FLOW]
    gradient[DRIP], gradient[SLOW] = 1.0, -1.0
    return gradient


def _prior(window: Window, around: Surroundings, look: FirstLook, told_s: float) -> Prior:
    flow = abs(look.rise_g) / max(told_s, 0.5)
    mean, u = np.zeros(SIZE), np.zeros(SIZE)
    mean[LEVEL], u[LEVEL] = look.level_g, 1e6
    mean[LOSS], u[LOSS] = 0.0, LOSS_U
    u[BEND] = 0.001
    mean[FLOW], u[FLOW] = flow, 1e4
    u[DROOP], u[JET], u[DRIP], u[SLOW] = (share * flow + 1e-6 for share in (0.03, 0.5, 0.3, 0.3))
    difference = around.learned.lengths.significant_error() or VALVE_DIFFERENCE_S
    told = window.open_s is not None
    mean[AMOUNTS + START] = VALVE_DELAY_S.value
    u[AMOUNTS + START] = math.hypot(window.u_event_s, VALVE_DELAY_S.u if told else 1.0)
    mean[AMOUNTS + LENGTH] = told_s + difference.value if told else look.length_s
    u[AMOUNTS + LENGTH] = math.hypot(difference.u, 0.02) if told else max(1.0, 0.1 * look.length_s)
    lag = around.scale.lag_s
    logs = {LOG_DRIP: DRIP_S, LOG_SLOW: SLOW_S, LOG_LAG: Known(lag, 0.2) if lag > 0 else LAG_S}
    for which, known_s in logs.items():
        mean[AMOUNTS + which], u[AMOUNTS + which] = math.log(known_s.value), known_s.u
    return Prior(mean, u)


def _start(prior: Prior, look: FirstLook, window: Window) -> Floats:
    start = prior.mean.copy()
    if look.seen:
        start[AMOUNTS + START] = look.start_s
        if window.open_s is None:
            start[AMOUNTS + LENGTH] = look.length_s
    start[FLOW] = look.rise_g / max(start[AMOUNTS + LENGTH], 0.05)
    return start


def _noise(on: Axis, joint: Joint, rounding: float) -> Floats:
    # At rest and while spraying by themselves: jittering time stamps and a pulsing flow only spoil the ramp.
    start = joint.at[AMOUNTS + START]
    spraying = (on.t_s > start) & (on.t_s < start + joint.at[AMOUNTS + LENGTH])
    noise = np.empty(on.t_s.size)
    for part in (spraying, ~spraying):
        kept = joint.residual_g[part & (joint.weight > 0)]
        noise[part] = max(_spread(kept), rounding)
    return noise


def _spread(residual_g: Floats) -> float:
    if residual_g.size < 4:
        return 0.0
    return float(np.sqrt(np.mean(np.square(residual_g))))
