"""The whole file."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import Field

from agent.settings.bridge import BridgeIdentity
from agent.settings.cells import CellSection
from agent.settings.fluids import FluidSection
from agent.settings.health import Health
from agent.settings.identity import Identity
from agent.settings.influx import Influx
from agent.settings.journal import Journal
from agent.settings.mqtt import Mqtt
from agent.settings.notify import Notify
from agent.settings.page import Page
from agent.settings.section import Many, Section
from agent.settings.setups import SetupSection
from agent.settings.sparkplug import Sparkplug
from agent.settings.standby import Standby


class Configuration(Section):
    """The configuration of one agent."""

    agent: Identity
    """Who this agent is and where it lives."""
    mqtt: Mqtt
    """The broker."""
    bridge: BridgeIdentity = BridgeIdentity()
    """Who the bridge of the serial scales is at the broker."""
    influx: Influx | None = None
    """The time-series database; left out to keep results in the journal alone."""
    journal: Journal = Journal()
    """Limits of the journal."""
    notify: Notify | None = None
    """Alarms to people; left out to keep them on MQTT and in the journal."""
    sparkplug: Sparkplug | None = None
    """What the plant's SCADA sees of the agent over Sparkplug B; left out for none."""
    standby: Standby | None = None
    """Which of several like agents this one is; left out for one alone."""
    page: Page = Page()
    """The read-only page for the shop floor."""
    health: Health = Health()
    """/health and /metrics."""
    fluids: Annotated[Many[FluidSection], Field(max_length=1000)] = ()
    """Fluids with a density table of their own."""
    setups: Annotated[Many[SetupSection], Field(max_length=10_000)] = ()
    """The targets of the jobs."""
    cells: Annotated[Many[CellSection], Field(min_length=1, max_length=10_000)]
    """The spray cells."""


def json_schema() -> dict[str, Any]:
    """JSON Schema (2020-12) of the configuration file, for editors that complete and check it."""
    schema = Configuration.model_json_schema(mode="validation")
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "Shotgram configuration",
        **{key: value for key, value in schema.items() if key != "title"},
    }
