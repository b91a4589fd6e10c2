"""`[standby]`: an agent that is not alone, and how it listens beside the one that speaks."""

from __future__ import annotations

from typing import Annotated, Self

from pydantic import Field, model_validator

from agent.settings.mqtt import check_credentials
from agent.settings.section import Label, LocalPath, SecretFile, Section, TopicName


class Standby(Section):
    """One of two or more agents with the same id, cells and broker, each on a machine of its own.

    One speaks, as [mqtt] says; another takes over within ten seconds when it dies. Each listens all the time,
    as a user of its own where the broker knows its clients by name. Leave the section out for an agent alone.
    """

    name: TopicName
    """Tells this agent from the others: no two may have the same."""
    client_id: Annotated[str, Field(min_length=1, max_length=128)] | None = None
    """Name of the session that listens; that of [mqtt] with a hyphen and the name where it is left out."""
    username: Label | None = None
    """User name for listening; that of [mqtt] where it is left out."""
    password_file: SecretFile | None = None
    """File that holds the password alone, or $CREDENTIALS_DIRECTORY/name."""
    cert_file: LocalPath | None = None
    """Certificate for listening (PEM); that of [mqtt] where it is left out."""
    key_file: SecretFile | None = None
    """Private key of that certificate (PEM)."""

    @model_validator(mode="after")
    def _belong_together(self) -> Self:
        check_credentials(self)
        return self
