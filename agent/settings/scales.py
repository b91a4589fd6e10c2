"""`[[cells.scales]]`: the scales of a cell."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from agent.settings.inputs import Form
from agent.settings.section import TopicName, rule
from agent.settings.serial_line import SerialLine


class ScaleSection(Form):
    """A scale and what is known of it. It may name its own `topic` and `fields`."""

    id: TopicName
    """Name of the scale, as in its topic."""
    resolution_g: Annotated[float, Field(gt=0, le=10_000)]
    """Smallest step of the display (d), grams."""
    capacity_g: Annotated[float, Field(gt=0, le=10_000_000)]
    """Largest load (Max), grams."""
    accuracy_class: Literal["I", "II", "III", "IIII"] | None = None
    """Accuracy class of OIML R 76, from the plate."""
    verification_interval_g: Annotated[float, Field(gt=0, le=10_000)] | None = None
    """Verification scale interval (e) of OIML R 76, grams; the resolution where it is left out."""
    u_calibration_pct: Annotated[float, Field(ge=0, le=10)] = 0.0
    """Standard uncertainty of the calibration, percent of the load, from its certificate."""
    lag_s: Annotated[float, Field(ge=0, le=30)] = 0.0
    """Time constant of the scale's filter, seconds; 0 lets each fit find it."""
    silent_s: Annotated[float, Field(gt=0, le=3600)] = 10.0
    """With no reading for so many seconds the scale counts as silent."""

    serial: SerialLine | None = None
    """The scale's serial line, where `shotgram bridge` reads it; left out for a scale that speaks MQTT."""

    @model_validator(mode="after")
    def _plausible(self) -> Self:
        if self.resolution_g * 20 > self.capacity_g:
            raise rule("a capacity_g of at least 20 times resolution_g")
        if self.verification_interval_g is not None and self.verification_interval_g < self.resolution_g:
            raise rule("a verification_interval_g that is not smaller than resolution_g (OIML R 76)")
        if self.serial is not None and self.model_fields_set & set(Form.model_fields):
            raise rule(
                "either serial, whose readings the bridge publishes on the contract's topic, or own fields"
            )
        return self
