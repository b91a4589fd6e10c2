"""`[notify]`: alarms to people."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from agent.settings.section import SecretFile, Section


class Notify(Section):
    """Alarms by mail, chat or webhook. Leave the section out to keep them on MQTT and in the journal."""

    urls_file: SecretFile
    """File with one Apprise address a line (mailto://, json://, ...): addresses hold passwords.
    Lines that begin with # are comments. Or $CREDENTIALS_DIRECTORY/name."""
    min_priority: Literal["low", "medium", "high"] = "medium"
    """Alarms below this priority are not sent."""
    on_return: bool = True
    """Say also when an alarm has returned to normal."""
    timeout_s: Annotated[float, Field(gt=0, le=300)] = 20.0
    """Wait so many seconds for a service to take a message."""
