"""Liquids that a spray shop flushes and tests with: density, vapour pressure, evaporation.

Sources: densities between 10 and 35 C are those of CoolProp 8.0 (acetone, water: IAPWS-95) and of the DIPPR
correlations in Perry's Chemical Engineers' Handbook, 8th edition (butanone, isopropanol); n-butyl acetate
0.8825 at 20 C, from memory. Vapour pressures by the Antoine equation with coefficients of Poling, Prausnitz
and O'Connell (as shipped with `chemicals` 1.5), n-butyl acetate from memory. Diffusion in air from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

GAS_CONSTANT = 8.314462618
"""J/(mol K), exact since 2019."""
AIR_VISCOSITY_M2_PER_S = 1.51e-5
"""Kinematic, at 20 C."""


@dataclass(frozen=True, slots=True)
class Liquid:
    """A liquid in the simulated shop."""

    name: str
    density_table: tuple[tuple[float, float], ...]
    """(temperature in C, density in kg/m3), rising."""
    molar_mass_g: float = 60.0
    antoine: tuple[float, float, float] | None = None
    """log10(P/Pa) = A - B/(T/K + C); None for a liquid that does not evaporate."""
    diffusion_m2_per_s: float = 1.0e-5
    """Of its vapour in air."""

    def density(self, celsius: float) -> float:
        """Density, kg/m3, straight between the table's rows and level beyond them."""
        temperatures, densities = zip(*self.density_table, strict=True)
        return float(np.interp(celsius, temperatures, densities))

    def vapour_pressure_pa(self, celsius: float) -> float:
        """Vapour pressure, Pa; 0 for a liquid that does not evaporate."""
        if self.antoine is None:
            return 0.0
        a, b, c = self.antoine
        return float(10.0 ** (a - b / (celsius + 273.15 + c)))

    def evaporation_g_per_s(self, celsius: float, opening_m: float, air_m_per_s: float) -> float:
        """Loss from a round opening of this diameter with air moving over it, g/s.

        Kawamura and Mackay (1987): k = 0.0048 u^(7/9) d^(-1/9) Sc^(-2/3), flux k M P/(R T). A model of the
        first order: right within a factor of two.
        """
        if opening_m <= 0.0 or air_m_per_s <= 0.0:
            return 0.0
        schmidt = AIR_VISCOSITY_M2_PER_S / self.diffusion_m2_per_s
        k = 0.0048 * air_m_per_s ** (7 / 9) * opening_m ** (-1 / 9) * schmidt ** (-2 / 3)
        vapour = self.molar_mass_g * self.vapour_pressure_pa(celsius) / (GAS_CONSTANT * (celsius + 273.15))
        return float(k * vapour * math.pi * opening_m**2 / 4)


def _table(*densities: float) -> tuple[tuple[float, float], ...]:
    return tuple(zip((10.0, 15.0, 20.0, 25.0, 30.0, 35.0), densities, strict=True))


LIQUIDS: dict[str, Liquid] = {
    liquid.name: liquid
    for liquid in (
        Liquid(
            "acetone",
            _table(801.29, 795.80, 790.27, 784.70, 779.09, 773.43),
            58.08,
            (9.2184, 1197.01, -45.09),
            1.05e-5,
        ),
        Liquid(
            "butanone",
            _table(815.70, 810.32, 804.91, 799.45, 793.96, 788.41),
            72.11,
            (9.1386, 1232.63, -54.46),
            0.9e-5,
        ),
        Liquid(
            "isopropanol",
            _table(796.31, 791.53, 786.71, 781.83, 776.90, 771.90),
            60.10,
            (10.24268, 1580.92, -53.54),
            1.0e-5,
        ),
        Liquid(
            "water",
            _table(999.70, 999.10, 998.21, 997.05, 995.65, 994.03),
            18.015,
            (10.11564, 1687.537, -42.98),
            2.5e-5,
        ),
        Liquid(
            "n-butyl acetate",
            _table(892.7, 887.6, 882.5, 877.4, 872.3, 867.1),
            116.16,
            (9.25202, 1430.418, -62.405),
            0.7e-5,
        ),
    )
}


def liquid(name: str) -> Liquid:
    """The liquid of that name. Raises KeyError, with the names there are, for one that is not here."""
    try:
        return LIQUIDS[name]
    except KeyError:
        raise KeyError(f"no liquid called {name!r}; there are: {', '.join(LIQUIDS)}") from None
