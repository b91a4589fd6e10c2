"""Density of moist air, for the buoyancy correction."""

from __future__ import annotations

import math

from agent.flow.known import Known

REL_U_FORMULA = 2e-4
"""Relative standard uncertainty of the formula itself inside its limits (OIML R 111-1:2004, E.3)."""
SPREAD_TEMPERATURE_C = 2.0
SPREAD_PRESSURE_HPA = 15.0
SPREAD_HUMIDITY_PCT = 15.0
"""How far the air may be from what was configured: standard uncertainties (common practice, no source)."""


def air_density(temperature_c: float, pressure_hpa: float, humidity_pct: float) -> float:
    """Density of air in kg/m3 by the approximation E.3-1 of OIML R 111-1:2004.

    Good to 2e-4 (relative, standard) for 900 to 1100 hPa, 10 to 30 C and up to 80 % relative humidity; beyond
    that it degrades slowly, which is of no weight for the buoyancy of a liquid.
    Raises ValueError where the inputs are no air a person could stand in.
    """
    values = (temperature_c, pressure_hpa, humidity_pct)
    if not all(math.isfinite(value) for value in values):
        raise ValueError(f"air must be described by finite numbers, got {values}")
    if not (-40 <= temperature_c <= 60 and 300 <= pressure_hpa <= 1200 and 0 <= humidity_pct <= 100):
        raise ValueError(
            f"not the air of a workshop: {temperature_c} C (-40 to 60), {pressure_hpa} hPa (300 to 1200), "
            f"{humidity_pct} % relative humidity (0 to 100)"
        )
    return (0.34848 * pressure_hpa - 0.009 * humidity_pct * math.exp(0.061 * temperature_c)) / (
        273.15 + temperature_c
    )


def air(temperature_c: float, pressure_hpa: float, humidity_pct: float) -> Known:
    """Density of the shop's air with its standard uncertainty, kg/m3 (JCGM 100, law of propagation)."""
    here = air_density(temperature_c, pressure_hpa, humidity_pct)
    absolute_k = 273.15 + temperature_c
    by_temperature = here / absolute_k * SPREAD_TEMPERATURE_C
    by_pressure = 0.34848 / absolute_k * SPREAD_PRESSURE_HPA
    by_humidity = 0.009 * math.exp(0.061 * temperature_c) / absolute_k * SPREAD_HUMIDITY_PCT
    return Known(here, math.hypot(by_temperature, by_pressure, by_humidity, REL_U_FORMULA * here))
