"""`[[fluids]]`: coatings and solvents with a density table of their own."""

from __future__ import annotations

from typing import Annotated

from pydantic import AfterValidator, Field

from agent.settings.section import Label, Many, Section, rule


class DensityRow(Section):
    """The density at one temperature."""

    t_c: Annotated[float, Field(ge=-50, le=150)]
    """Temperature, C."""
    kg_per_m3: Annotated[float, Field(ge=300, le=5000)]
    """Density at that temperature, kg/m3."""


def _rising(rows: tuple[DensityRow, ...]) -> tuple[DensityRow, ...]:
    temperatures = [row.t_c for row in rows]
    if sorted(set(temperatures)) != temperatures:
        raise rule("rows whose temperatures rise, each temperature once")
    return rows


class FluidSection(Section):
    """A fluid that is not among the known ones, or that replaces one of them."""

    name: Label
    """Name of the fluid; setups refer to it."""
    density: Annotated[Many[DensityRow], Field(min_length=1, max_length=200), AfterValidator(_rising)]
    """Density table: rows of t_c (C) and kg_per_m3, from the data sheet or a pycnometer."""
    u_density_pct: Annotated[float, Field(ge=0, le=20)] = 0.2
    """Standard uncertainty of the density, percent of it."""
    volatile: bool = True
    """Whether it evaporates noticeably from an open container within a minute."""
