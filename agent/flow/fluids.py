"""Densities of the liquids that guns are set up with, 5 to 40 C at 101.325 kPa.

The tables are data, pinned here; the tests compute them anew from reference libraries and published
equations.
Acetone: CoolProp 8.0.0, HEOS equation of state (Lemmon and Span 2006). Water: CoolProp 8.0.0, IAPWS-95.
Butanone, isopropanol, n-butyl acetate: DIPPR equation 105 with the coefficients of Perry's Chemical
Engineers'
Handbook, 8th edition, table 2-32.

Beyond its table a density goes on along the table's last straight piece, at most `BEYOND_C` further, with an
uncertainty that grows by 0.1 % per degree; further than that it is not known.
"""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np

from agent.contract.plan import Fluid
from agent.flow.known import Known

BEYOND_C = 10.0
U_TEMPERATURE_C = 0.5
"""Standard uncertainty of a measured fluid temperature (common practice, no source)."""
U_TEMPERATURE_ASSUMED_C = 3.0
"""The same where only the air's configured temperature is known (common practice, no source)."""

_C = (5.0, 10.0, 15.0, 20.0, 25.0, 30.0, 35.0, 40.0)


def _fluid(name: str, kg_m3: tuple[float, ...], u_rel: float, source: str, *, volatile: bool) -> Fluid:
    return Fluid(name, tuple(zip(_C, kg_m3, strict=True)), u_rel, source, volatile)


_PERRY = "DIPPR equation 105, Perry's Chemical Engineers' Handbook 8e, table 2-32"
_KNOWN = (
    _fluid(
        "acetone",
        (806.750, 801.292, 795.799, 790.270, 784.701, 779.088, 773.427, 767.715),
        0.0015,
        "CoolProp 8.0.0 HEOS (Lemmon and Span 2006)",
        volatile=True,
    ),
    _fluid(
        "butanone",
        (821.030, 815.696, 810.323, 804.910, 799.455, 793.956, 788.413, 782.823),
        0.001,
        _PERRY,
        volatile=True,
    ),
    _fluid(
        "isopropanol",
        (801.025, 796.305, 791.535, 786.711, 781.833, 776.897, 771.901, 766.844),
        0.0015,
        _PERRY,
        volatile=True,
    ),
    _fluid(
        "n-butyl acetate",
        (895.589, 890.722, 885.824, 880.892, 875.925, 870.924, 865.886, 860.811),
        0.002,
        _PERRY,
        volatile=True,
    ),
    _fluid(
        "water",
        (999.967, 999.702, 999.103, 998.207, 997.048, 995.649, 994.033, 992.216),
        0.0001,
        "CoolProp 8.0.0 (IAPWS-95)",
        volatile=False,
    ),
)

_ALIASES = {
    "2-propanone": "acetone",
    "propanone": "acetone",
    "dimethyl ketone": "acetone",
    "67-64-1": "acetone",
    "mek": "butanone",
    "2-butanone": "butanone",
    "methyl ethyl ketone": "butanone",
    "78-93-3": "butanone",
    "ipa": "isopropanol",
    "2-propanol": "isopropanol",
    "propan-2-ol": "isopropanol",
    "isopropyl alcohol": "isopropanol",
    "67-63-0": "isopropanol",
    "butyl acetate": "n-butyl acetate",
    "n-butyl-acetate": "n-butyl acetate",
    "123-86-4": "n-butyl acetate",
    "h2o": "water",
    "7732-18-5": "water",
}


def known_names() -> tuple[str, ...]:
    """Names of the fluids whose density is known here, in alphabetical order."""
    return tuple(sorted(fluid.name for fluid in _KNOWN))


def known_fluid(name: str) -> Fluid | None:
    """The known fluid of a name, a common other name or a CAS number; None where it is not known.

    Case, spaces at the ends, and underscores for spaces make no difference.
    """
    plain = " ".join(name.replace("_", " ").lower().split())
    plain = _ALIASES.get(plain, plain)
    return next((fluid for fluid in _KNOWN if fluid.name == plain), None)


def table_fault(table: tuple[tuple[float, float], ...]) -> str | None:
    """What is wrong with a user's density table of (C, kg/m3) pairs, in a sentence; None where it is good."""
    if not table:
        return "the density table is empty; give at least one [temperature in C, density in kg/m3]"
    if not all(math.isfinite(number) for row in table for number in row):
        return "the density table holds a number that is not finite"
    if any(not 300.0 <= density <= 3000.0 for _, density in table):
        return "a density is outside 300 to 3000 kg/m3; the table is in kg/m3, not in g/ml"
    rising = all(before[0] < after[0] for before, after in pairwise(table))
    return None if rising else "the temperatures of the density table must rise"


def density(fluid: Fluid, temperature_c: float, u_temperature_c: float = U_TEMPERATURE_C) -> Known | None:
    """Density of a fluid in kg/m3 at a temperature, by straight lines between the table's points.

    None where the temperature is more than `BEYOND_C` outside the table, or not finite. A table of one point
    is taken to hold at any temperature within `BEYOND_C`, with the expansion of a typical solvent
    (1.2e-3 per K) in its uncertainty.
    """
    if not math.isfinite(temperature_c) or not fluid.density_table:
        return None
    at_c = np.array([row[0] for row in fluid.density_table])
    kg_m3 = np.array([row[1] for row in fluid.density_table])
    beyond = max(at_c[0] - temperature_c, temperature_c - at_c[-1], 0.0)
    if beyond > BEYOND_C:
        return None
    if at_c.size == 1:
        off = abs(temperature_c - at_c[0])
        return Known(
            float(kg_m3[0]),
            float(kg_m3[0]) * math.hypot(fluid.u_density_rel, 1.2e-3 * math.hypot(off, u_temperature_c)),
        )
    piece = int(np.clip(np.searchsorted(at_c, temperature_c) - 1, 0, at_c.size - 2))
    slope = float((kg_m3[piece + 1] - kg_m3[piece]) / (at_c[piece + 1] - at_c[piece]))
    value = float(kg_m3[piece] + slope * (temperature_c - at_c[piece]))
    parts = (fluid.u_density_rel * value, slope * u_temperature_c, 1e-3 * beyond * value)
    return Known(value, math.sqrt(sum(part**2 for part in parts)))
