"""A site as it was configured: the plan for the pure rooms and the settings of the rim."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from agent.contract.plan import Plan
from agent.settings.bridge import BridgeIdentity
from agent.settings.health import Health
from agent.settings.influx import Influx
from agent.settings.journal import Journal
from agent.settings.mqtt import Mqtt
from agent.settings.notify import Notify
from agent.settings.page import Page
from agent.settings.serial_line import SerialScale
from agent.settings.sparkplug import Sparkplug
from agent.settings.standby import Standby


@dataclass(frozen=True, slots=True)
class Site:
    """Everything one configuration file says."""

    file: Path
    """The configuration file."""
    plan: Plan
    """What the pure rooms need."""
    state_dir: Path
    """Folder of the journal."""
    log_level: str
    """`debug`, `info`, `warning` or `error`."""
    mqtt: Mqtt
    influx: Influx | None
    journal: Journal
    notify: Notify | None
    page: Page
    health: Health
    sparkplug: Sparkplug | None = None
    standby: Standby | None = None
    """Which of several agents of this id this one is; None where it is alone."""
    bridge: BridgeIdentity = field(default_factory=BridgeIdentity)
    serial_scales: tuple[SerialScale, ...] = ()
    """The scales that the bridge reads."""
    notes: tuple[str, ...] = ()
    """What is not wrong but worth a word: a secret that others may read, a check longer than its lead."""

    @property
    def client_id(self) -> str:
        """Name of the session at the broker."""
        return self.mqtt.client_id or f"shotgram-{self.plan.agent}"
