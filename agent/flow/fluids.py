"""Density of a fluid at a temperature, from its table: a known fluid's (`contract.fluids`) or a user's own.

Between the points of a table a density goes along straight lines. Beyond it goes on along the last straight
piece, at most `BEYOND_C` further, with an uncertainty that grows by 0.1 % per degree; further than that it is
not known.
"""

from __future__ import annotations

import math

import numpy as np

from agent.contract.plan import Fluid
from agent.flow.known import Known

BEYOND_C = 10.0
U_BEYOND_REL_PER_C = 1e-3
TYPICAL_EXPANSION_PER_C = 1.2e-3
"""Expansion of a typical solvent, for a table of one point: acetone 1.4e-3, isopropanol 1.1e-3."""
U_TEMPERATURE_C = 0.5
"""Standard uncertainty of a measured fluid temperature (common practice, no source)."""
U_TEMPERATURE_ASSUMED_C = 3.0
"""The same where only the air's configured temperature is known (common practice, no source)."""


def density(fluid: Fluid, temperature_c: float, u_temperature_c: float = U_TEMPERATURE_C) -> Known | None:
    """Density of a fluid in kg/m3 at a temperature, with its standard uncertainty.

    None where the temperature is over `BEYOND_C` outside the table, or not finite. A table of one point is
    taken to hold within `BEYOND_C` of it, with a typical solvent's expansion in its uncertainty.
    """
    if not math.isfinite(temperature_c) or not fluid.density_table:
        return None
    at_c = np.array([row[0] for row in fluid.density_table])
    kg_m3 = np.array([row[1] for row in fluid.density_table])
    beyond = float(max(at_c[0] - temperature_c, temperature_c - at_c[-1], 0.0))
    if beyond > BEYOND_C:
        return None
    if at_c.size == 1:
        value = float(kg_m3[0])
        off = math.hypot(float(temperature_c - at_c[0]), u_temperature_c)
        return Known(value, value * math.hypot(fluid.u_density_rel, TYPICAL_EXPANSION_PER_C * off))
    piece = int(np.clip(np.searchsorted(at_c, temperature_c) - 1, 0, at_c.size - 2))
    slope = float((kg_m3[piece + 1] - kg_m3[piece]) / (at_c[piece + 1] - at_c[piece]))
    value = float(kg_m3[piece] + slope * (temperature_c - at_c[piece]))
    parts = (fluid.u_density_rel * value, slope * u_temperature_c, U_BEYOND_REL_PER_C * beyond * value)
    return Known(value, math.sqrt(sum(part**2 for part in parts)))
