"""Fluids whose density is known without being configured: pure solvents and water, 5 to 40 C at 101.325 kPa.

The tables are pinned here rather than computed from a property library at run time, so that the same
readings give the same volume flow on every machine. Coatings are mixtures: they go into the configuration
as `[[fluids]]` with a density table of their own.
"""

from __future__ import annotations

from types import MappingProxyType

from agent.contract.plan import Fluid

_TEMPERATURES_C = (5.0, 10.0, 15.0, 20.0, 25.0, 30.0, 35.0, 40.0)

_HEOS = "CoolProp 6.8 HEOS (Lemmon & Span 2006, J. Chem. Eng. Data 51, 785)"
_IAPWS = "IAPWS-95 (CoolProp 6.8), within 1e-6 of Tanaka 2001 (CIPM)"
_DIPPR = "Perry's Chemical Engineers' Handbook, 8th ed., table 2-32 (DIPPR 105; chemicals 1.5)"


def _fluid(name: str, density: tuple[float, ...], *, u_rel: float, source: str, volatile: bool) -> Fluid:
    table = tuple(zip(_TEMPERATURES_C, density, strict=True))
    return Fluid(name, table, u_density_rel=u_rel, source=source, volatile=volatile)


# The relative standard uncertainties are half the spread between published correlations (DIPPR, VDI PPDS,
# HEOS) taken as a rectangle, rounded up; a technical grade differs from the pure solvent by less.
_KNOWN = (
    _fluid(
        "acetone",
        (806.75, 801.29, 795.80, 790.27, 784.70, 779.09, 773.43, 767.72),
        u_rel=0.0015,
        source=_HEOS,
        volatile=True,
    ),
    _fluid(
        "butanone",
        (821.03, 815.70, 810.32, 804.91, 799.45, 793.96, 788.41, 782.82),
        u_rel=0.001,
        source=_DIPPR,
        volatile=True,
    ),
    _fluid(
        "isopropanol",
        (801.02, 796.31, 791.53, 786.71, 781.83, 776.90, 771.90, 766.84),
        u_rel=0.001,
        source=_DIPPR,
        volatile=True,
    ),
    _fluid(
        "n-butyl acetate",
        (895.59, 890.72, 885.82, 880.89, 875.93, 870.92, 865.89, 860.81),
        u_rel=0.002,
        source=_DIPPR,
        volatile=True,
    ),
    _fluid(
        "water",
        (999.967, 999.702, 999.103, 998.207, 997.048, 995.649, 994.033, 992.216),
        u_rel=0.0001,
        source=_IAPWS,
        volatile=False,
    ),
)

KNOWN = MappingProxyType({fluid.name: fluid for fluid in _KNOWN})
"""The known fluids by the name that records use."""

ALIASES = MappingProxyType(
    {
        "2-propanone": "acetone",
        "dimethyl ketone": "acetone",
        "propanone": "acetone",
        "2-butanone": "butanone",
        "mek": "butanone",
        "methyl ethyl ketone": "butanone",
        "2-propanol": "isopropanol",
        "ipa": "isopropanol",
        "isopropyl alcohol": "isopropanol",
        "propan-2-ol": "isopropanol",
        "butyl acetate": "n-butyl acetate",
        "n-butyl ethanoate": "n-butyl acetate",
    }
)
"""Other names of the known fluids, in lower case."""


def known_fluid(name: str) -> Fluid | None:
    """The known fluid of that name or alias, whatever its case; None where there is none."""
    plain = name.strip().lower()
    return KNOWN.get(ALIASES.get(plain, plain))
