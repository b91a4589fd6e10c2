"""Units of what comes in, and how they become the agent's own: grams, bar, degrees Celsius.

Besides the short names of the trade the codes of UCUM (the Unified Code for Units of Measure) are known.
The factors are exact: the avoirdupois pound is 0.45359237 kg and the inch 0.0254 m by the agreement of 1959,
standard gravity is 9.80665 m/s2 by the 3rd CGPM (1901); see NIST SP 811 (2008), appendix B.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

_POUND_G = 453.59237
_PSI_BAR = 0.45359237 * 9.80665 / 0.0254**2 / 1e5

GRAMS: Mapping[str, float] = MappingProxyType(
    {
        "g": 1.0,
        "kg": 1e3,
        "mg": 1e-3,
        "oz": _POUND_G / 16,
        "lb": _POUND_G,
        "[oz_av]": _POUND_G / 16,
        "[lb_av]": _POUND_G,
    }
)
"""Grams in one unit of mass."""

BARS: Mapping[str, float] = MappingProxyType(
    {
        "bar": 1.0,
        "kPa": 1e-2,
        "psi": _PSI_BAR,
        "MPa": 10.0,
        "mbar": 1e-3,
        "Pa": 1e-5,
        "[psi]": _PSI_BAR,
    }
)
"""Bar in one unit of pressure."""

CELSIUS: Mapping[str, tuple[float, float, float]] = MappingProxyType(
    {
        "C": (0.0, 1.0, 0.0),
        "F": (-32.0, 1.8, 0.0),
        "K": (0.0, 1.0, -273.15),
        "Cel": (0.0, 1.0, 0.0),
        "[degF]": (-32.0, 1.8, 0.0),
    }
)
"""(a, b, c) of each unit of temperature: degrees Celsius are (value + a) / b + c."""


def celsius(value: float, unit: str) -> float:
    """A temperature in degrees Celsius. Raises KeyError for a unit that is none of temperature."""
    before, divisor, after = CELSIUS[unit]
    return (value + before) / divisor + after
