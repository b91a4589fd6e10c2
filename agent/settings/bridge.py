"""`[bridge]`: who the bridge of the serial scales is at the broker."""

from __future__ import annotations

from typing import Annotated, Self

from pydantic import Field, model_validator

from agent.settings.mqtt import check_credentials
from agent.settings.section import Label, LocalPath, SecretFile, Section


class BridgeIdentity(Section):
    """The bridge's own identity, so that the broker can let it write readings and nothing else."""

    client_id: Annotated[str, Field(min_length=1, max_length=128)] | None = None
    """Name of the bridge's session; the agent's with "-bridge" behind it where it is left out."""
    username: Label | None = None
    """User name at the broker; the agent's where it is left out."""
    password_file: SecretFile | None = None
    """File that holds the password alone, or $CREDENTIALS_DIRECTORY/name."""
    cert_file: LocalPath | None = None
    """The bridge's own certificate (PEM); the agent's where it is left out."""
    key_file: SecretFile | None = None
    """Private key of that certificate (PEM)."""

    @model_validator(mode="after")
    def _belong_together(self) -> Self:
        check_credentials(self)
        return self
