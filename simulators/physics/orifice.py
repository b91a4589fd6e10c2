"""Flow through a needle in its seat and a nozzle behind it.

m = Cd A sqrt(2 rho dp): the orifice equation (ISO 5167 in its incompressible form, no approach velocity).
A conical needle of full angle theta, lifted by h in a sharp round seat of diameter d0, leaves
A = pi h sin(theta/2) (d0 - (h/2) sin(theta)) open, until it is the whole bore: a frustum's side.
"""

from __future__ import annotations

import math

PA_PER_BAR = 1.0e5
DISCHARGE = 0.6
"""Of a sharp orifice in turbulent flow; handbooks print 0.59 to 0.62."""


def bore_mm2(diameter_mm: float) -> float:
    """Area of a round hole, mm2."""
    return math.pi * diameter_mm**2 / 4


def annulus_mm2(lift_mm: float, seat_mm: float, cone_deg: float) -> float:
    """Open area between a conical needle and its round seat, mm2; 0 when closed, the full bore at most."""
    if lift_mm <= 0.0:
        return 0.0
    theta = math.radians(cone_deg)
    fully_open_mm = seat_mm * (1 - math.sqrt(1 - math.cos(theta / 2))) / math.sin(theta)
    if lift_mm >= fully_open_mm:
        return bore_mm2(seat_mm)
    return math.pi * lift_mm * math.sin(theta / 2) * (seat_mm - lift_mm / 2 * math.sin(theta))


def in_series_mm2(first_mm2: float, second_mm2: float) -> float:
    """One area with the resistance of two behind each other: pressure drops add, each goes with 1/A2."""
    if first_mm2 <= 0.0 or second_mm2 <= 0.0:
        return 0.0
    return 1.0 / math.sqrt(first_mm2**-2 + second_mm2**-2)


def conductance(area_mm2: float, density: float, discharge: float = DISCHARGE) -> float:
    """Mass flow at one bar, g/s: it goes with the square root of the pressure from there."""
    return 1e3 * discharge * area_mm2 * 1e-6 * math.sqrt(2 * density * PA_PER_BAR)


def mass_flow_g_per_s(area_mm2: float, density: float, bar: float, discharge: float = DISCHARGE) -> float:
    """Mass flow through an orifice, g/s, for a pressure difference in bar; nothing flows backwards."""
    return conductance(area_mm2, density, discharge) * math.sqrt(max(bar, 0.0))


def jet_speed_m_per_s(bar: float, density: float) -> float:
    """Speed of the free jet, m/s (Torricelli)."""
    return math.sqrt(2 * max(bar, 0.0) * PA_PER_BAR / density)
