"""Buoyancy of air: from what a scale shows to true mass (ISO 4185, OIML R 111)."""

from __future__ import annotations

import math

from agent.flow.known import Known

WEIGHTS_KG_M3 = 8000.0
"""Density of the weights a scale is adjusted with (OIML R 111, conventional mass)."""


def buoyancy_factor(liquid_kg_m3: float, air_kg_m3: float) -> float:
    """True mass of a liquid over what a scale shows for it: (1 - a/8000) / (1 - a/l), ISO 4185.

    Raises ValueError where the liquid is not denser than the air.
    """
    if not (math.isfinite(liquid_kg_m3) and math.isfinite(air_kg_m3)) or not 0 <= air_kg_m3 < liquid_kg_m3:
        raise ValueError(f"a liquid of {liquid_kg_m3} kg/m3 cannot be weighed in air of {air_kg_m3} kg/m3")
    return (1.0 - air_kg_m3 / WEIGHTS_KG_M3) / (1.0 - air_kg_m3 / liquid_kg_m3)


def buoyancy(liquid: Known, air: Known) -> tuple[Known, float]:
    """The factor with its standard uncertainty by the air alone, and the part by the liquid's density.

    Both parts are relative to nothing: they are uncertainties of the factor itself (JCGM 100, 5.1.2).
    """
    factor = buoyancy_factor(liquid.value, air.value)
    by_air = abs(buoyancy_factor(liquid.value, air.value + air.u) - factor)
    by_liquid = abs(buoyancy_factor(liquid.value + liquid.u, air.value) - factor)
    return Known(factor, by_air), by_liquid
