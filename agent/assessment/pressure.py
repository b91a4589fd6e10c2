"""A flow brought to the setup's pot pressure, and the exponent of that law learned per gun.

Flow through an orifice goes with the square root of the pressure (m = Cd A sqrt(2 rho dp)); with a thick
fluid in a narrow needle gap the exponent rises towards 1. So flow ~ p^n with n = 0.5 unless a gun's own
history says better. Pressures are gauge pressures: the gun sprays into the open.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np

LARGEST_CORRECTION = 0.20
"""Beyond this relative change a correction is a guess, and is refused."""
LEARNING_PRIOR_U = 0.10
"""Standard uncertainty of the exponent where learning starts: 0.3 to 0.7 is plausible."""
GOOD_ENOUGH_U = 0.04
"""A learned exponent is used once the history alone fixes it as well as this."""


@dataclass(frozen=True, slots=True)
class Corrected:
    """A flow at the setpoint, or why there is none."""

    flow: float | None
    u: float | None
    factor: float | None
    """What the flow was multiplied by."""
    u_factor_rel: float | None
    reason: str

    @property
    def refused(self) -> bool:
        """Whether no correction could be made."""
        return self.flow is None


@dataclass(frozen=True, slots=True)
class PressurePoint:
    """A check's flow as measured, and the pressure it was measured at."""

    at_s: float
    flow: float
    u: float
    pressure_bar: float
    like: Hashable = None
    """Only points with equal `like` (setting, fluid, parts) are compared with each other."""


@dataclass(frozen=True, slots=True)
class Exponent:
    """The exponent n of flow ~ p^n."""

    value: float
    u: float
    points: int
    learned: bool
    """False while pressures have not varied enough: then it is the configured one."""


def to_setpoint(
    flow: float,
    u: float,
    pot_bar: float,
    u_pot: float,
    setpoint_bar: float,
    *,
    exponent: float = 0.5,
    u_exponent: float = 0.02,
) -> Corrected:
    """`flow` +- `u` (any unit) at `pot_bar` brought to `setpoint_bar`: flow x (setpoint / pot)^exponent.

    The uncertainty is that of JCGM 100 equation (10): of the flow, of the pressure times the exponent, and of
    the exponent times the logarithm of the ratio. Refused where either pressure is not above zero or the flow
    would change by more than `LARGEST_CORRECTION`.
    """
    if not (math.isfinite(pot_bar) and pot_bar > 0 and math.isfinite(setpoint_bar) and setpoint_bar > 0):
        return _refused(
            f"no correction from {pot_bar:g} to {setpoint_bar:g} bar: both pressures must be above zero"
        )
    ratio = setpoint_bar / pot_bar
    factor = ratio**exponent
    if abs(factor - 1) > LARGEST_CORRECTION:
        return _refused(
            f"the pot stood at {pot_bar:.2f} bar, the setup asks for {setpoint_bar:.2f} bar: a correction of "
            f"{100 * (factor - 1):+.0f} % would be a guess (the limit is {100 * LARGEST_CORRECTION:.0f} %). "
            "Set the pressure and check again"
        )
    u_factor_rel = math.hypot(exponent * u_pot / pot_bar, math.log(ratio) * u_exponent)
    at_setpoint = flow * factor
    return Corrected(
        at_setpoint,
        math.hypot(u * factor, at_setpoint * u_factor_rel),
        factor,
        u_factor_rel,
        f"brought from {pot_bar:.3f} to {setpoint_bar:.3f} bar: {100 * (factor - 1):+.2f} %",
    )


def learn_exponent(
    history: Sequence[PressurePoint], configured: float = 0.5, u_configured: float = 0.02
) -> Exponent:
    """The exponent from a gun's history of pressures and flows: Bayesian linear regression in logarithms.

    ln flow = level of the like conditions + n ln p + slow linear wear + noise; n has a normal prior of 0.5
    (the configured exponent) and `LEARNING_PRIOR_U`, level and wear have flat ones. The noise is estimated
    from the residuals and never taken below the checks' own uncertainty. Until the data alone fix n to
    `GOOD_ENOUGH_U`, the configured exponent stands.
    """
    points = [p for p in history if p.flow > 0 and p.pressure_bar > 0]
    groups: dict[Hashable, list[PressurePoint]] = {}
    for point in points:
        groups.setdefault(point.like, []).append(point)
    kept = [point for group in groups.values() if len(group) >= 3 for point in group]
    as_configured = Exponent(configured, u_configured, len(kept), learned=False)
    if len(kept) < 6:
        return as_configured
    design, log_flow, u_rel = _design(kept)
    if np.linalg.matrix_rank(design) < design.shape[1]:
        return as_configured
    return _regress(design, log_flow, u_rel, configured, as_configured)


def _design(
    points: Sequence[PressurePoint],
) -> tuple[np.ndarray, np.ndarray, float]:
    """Columns: ln p, time (days, scaled), one indicator per like conditions."""
    likes = list(dict.fromkeys(point.like for point in points))
    log_p = np.log([point.pressure_bar for point in points])
    t = np.array([point.at_s for point in points])
    spread = float(np.ptp(t)) or 1.0
    indicator = np.array([[float(point.like == like) for like in likes] for point in points])
    design = np.column_stack([log_p - log_p.mean(), (t - t.mean()) / spread, indicator])
    u_rel = float(np.sqrt(np.mean([(point.u / point.flow) ** 2 for point in points])))
    return design, np.log([point.flow for point in points]), u_rel


def _regress(
    design: np.ndarray, log_flow: np.ndarray, u_rel: float, configured: float, otherwise: Exponent
) -> Exponent:
    beta, *_ = np.linalg.lstsq(design, log_flow, rcond=None)
    dof = len(log_flow) - design.shape[1]
    if dof < 2:
        return otherwise
    residual = log_flow - design @ beta
    noise2 = max(float(residual @ residual) / dof, u_rel**2, 1e-12)
    u_data = float(np.sqrt(noise2 * np.linalg.inv(design.T @ design)[0, 0]))
    if u_data > GOOD_ENOUGH_U:
        return otherwise
    weight = 1 / u_data**2
    prior_weight = 1 / LEARNING_PRIOR_U**2
    value = (weight * float(beta[0]) + prior_weight * configured) / (weight + prior_weight)
    return Exponent(value, math.sqrt(1 / (weight + prior_weight)), len(log_flow), learned=True)


def _refused(reason: str) -> Corrected:
    return Corrected(None, None, None, None, reason)
