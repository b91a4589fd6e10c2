"""`[[cells]]`: the spray cells."""

from __future__ import annotations

from typing import Annotated, Self

from pydantic import Field, model_validator

from agent.settings.guns import GunSection
from agent.settings.inputs import Form, InputSection
from agent.settings.scales import ScaleSection
from agent.settings.section import Many, Section, TopicName, rule
from agent.settings.shifts import ShiftSection


class AirSection(Section):
    """The air around the scales: its density enters through buoyancy."""

    pressure_hpa: Annotated[float, Field(ge=500, le=1100)] = 1013.25
    """Air pressure at the site (not reduced to sea level), hPa."""
    humidity_pct: Annotated[float, Field(ge=0, le=100)] = 50.0
    """Relative humidity, percent."""
    temperature_c: Annotated[float, Field(ge=-20, le=60)] = 20.0
    """Air temperature, C."""


class CellSection(Section):
    """One spray cell: a controller, a pressure pot, one or more guns, one or more scales."""

    id: TopicName
    """Name of the cell, as in its topics; not "agent"."""
    scales: Annotated[Many[ScaleSection], Field(min_length=1, max_length=100)]
    """The scales."""
    guns: Annotated[Many[GunSection], Field(max_length=100)] = ()
    """The guns."""
    shifts: Annotated[Many[ShiftSection], Field(max_length=100)] = ()
    """The shifts that begin with a check."""
    has_controller: bool = True
    """Whether a controller says when guns open and close; without one the scale alone tells."""
    takes_requests: bool | None = None
    """Whether the controller answers requests for a check; as has_controller where it is left out."""
    air: AirSection = AirSection()
    """The air around the scales."""
    controller: Form | None = None
    """Where the controller's events come from, when not from the contract's topic."""
    pot: Form | None = None
    """Where the pot's pressure comes from, when not from the contract's topic."""
    fluid_temperature: Form | None = None
    """Where the fluid's temperature comes from, when not from the contract's topic."""
    reply: Form | None = None
    """Where the controller's answers come from, when not from the contract's topic."""
    inputs: Annotated[Many[InputSection], Field(max_length=500)] = ()
    """The same in the long form, one entry an input."""

    @model_validator(mode="after")
    def _controller_or_not(self) -> Self:
        if not self.has_controller and self.takes_requests:
            raise rule("takes_requests only where has_controller is true")
        return self
