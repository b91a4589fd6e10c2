"""`[[cells.guns]]`: the guns of a cell."""

from __future__ import annotations

from typing import Annotated, Self

from pydantic import Field, model_validator

from agent.settings.section import Label, Percent, Section, TopicName, rule


class NeedleSection(Section):
    """The adjustment knob: its unit, its travel, and its effect until the gun's own history is known."""

    unit: Label = "turn"
    """What the knob counts: turn, click, mm."""
    response_pct_per_unit: Annotated[float, Field(gt=0, le=1000)] = 25.0
    """Change of flow for one unit of setting, percent of the flow: where learning starts from."""
    u_response_pct_per_unit: Annotated[float, Field(gt=0, le=1000)] = 12.5
    """Standard uncertainty of that, percent of the flow."""
    lowest: Annotated[float, Field(ge=-1000, le=1000)] = 0.0
    """Lowest setting, in the knob's unit."""
    highest: Annotated[float, Field(ge=-1000, le=1000)] = 10.0
    """Highest setting, in the knob's unit."""
    largest_step: Annotated[float, Field(gt=0, le=1000)] = 1.0
    """Largest step advised at once, in the knob's unit."""
    smallest_step: Annotated[float, Field(gt=0, le=1000)] = 0.05
    """Smallest step a hand can set, in the knob's unit: advice is rounded to it."""

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if self.lowest >= self.highest:
            raise rule("a lowest setting below the highest")
        if self.smallest_step > self.largest_step:
            raise rule("a smallest_step that is not larger than largest_step")
        return self


class GunSection(Section):
    """A spray gun with its fluid nozzle and needle."""

    id: TopicName
    """Name of the gun, as the controller says it."""
    scale: TopicName
    """The scale its container stands on."""
    needle: NeedleSection = NeedleSection()
    """The adjustment knob."""
    wear_limit_pct: Percent = 10.0
    """Parts are due when the flow at like settings has changed by this much, percent."""
    repeatability_pct: Annotated[float, Field(gt=0, le=20)] = 0.5
    """Standard deviation of single shots, percent, until the gun's own history says better."""
    pressure_exponent: Annotated[float, Field(gt=0, le=2)] = 0.5
    """Flow follows pot pressure to this power; 0.5 is an orifice's."""
    u_pressure_exponent: Annotated[float, Field(gt=0, le=1)] = 0.02
    """Standard uncertainty of that power."""
