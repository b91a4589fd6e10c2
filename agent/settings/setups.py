"""`[[setups]]`: the targets of the jobs."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from agent.settings.section import Label, Percent, Section, TopicName


class SetupSection(Section):
    """The target of a job: what a gun must deliver, how closely, and how that is checked."""

    name: Label
    """Name of the setup, as the controller says it."""
    fluid: Label
    """A known fluid (acetone, butanone, isopropanol, n-butyl acetate, water) or a [[fluids]] entry."""
    target_g_per_min: Annotated[float, Field(gt=0, le=100_000)]
    """Flow the job was developed with, grams per minute."""
    tolerance_pct: Percent = 5.0
    """A gun passes within this much of the target, percent."""
    balance_pct: Percent = 5.0
    """The guns of a cell may differ by this much, percent of their mean."""
    shot_s: Annotated[float, Field(gt=0, le=600)] = 30.0
    """Length of a shot, seconds."""
    shots: Annotated[int, Field(ge=1, le=20)] = 3
    """Shots per gun in a check."""
    bleed_s: Annotated[float, Field(ge=0, le=600)] = 0.0
    """Dispense before the first shot that clears air from the line, seconds; 0 for none."""
    pot_pressure_bar: Annotated[float, Field(gt=0, le=100)] | None = None
    """Pot pressure of the job, bar gauge."""
    needle_settings: dict[TopicName, Annotated[float, Field(ge=-1000, le=1000)]] = Field(default_factory=dict)
    """Needle setting the job was developed with, per gun, in the gun's own unit."""
    risk_pct: Annotated[float, Field(gt=0, le=50)] = 5.0
    """Accepted risk of passing a gun that is out of tolerance, percent (JCGM 106)."""
    valid_h: Annotated[float, Field(gt=0, le=10_000)] = 12.0
    """A check stays valid for so many hours."""
