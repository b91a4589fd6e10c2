"""`[sparkplug]`: the agent as an edge node of Sparkplug B, for the plant's SCADA."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from agent.settings.mqtt import Version, check_credentials
from agent.settings.section import Host, Label, LocalPath, SecretFile, Section, TopicName, rule

_OWN_BROKER = ("port", "tls", "ca_file")


class Sparkplug(Section):
    """What the plant's SCADA sees of this agent (Eclipse Sparkplug 3.0). Leave the section out for none."""

    group: TopicName
    """Group of edge nodes that this one belongs to."""
    edge: TopicName | None = None
    """Name of this edge node, unique within the group; the agent's id where it is left out."""
    host: Host | None = None
    """Name or address of SCADA's broker; where it is left out, the broker of [mqtt]."""
    port: Annotated[int, Field(ge=1, le=65535)] = 1883
    """Port of that broker; 8883 is usual with TLS."""
    version: Version | None = None
    """MQTT version: 3.1.1 or 5; 3.1.1 where it is left out or auto."""
    client_id: Annotated[str, Field(min_length=1, max_length=128)] | None = None
    """Name of the session; "shotgram-", the agent's id and "-sparkplug" where it is left out."""
    username: Label | None = None
    """User name at that broker; without host, that of [mqtt] where it is left out."""
    password_file: SecretFile | None = None
    """File that holds the password alone, or $CREDENTIALS_DIRECTORY/name."""
    tls: bool = False
    """Speak TLS and trust the system's authorities; implied by ca_file."""
    ca_file: LocalPath | None = None
    """Certificate of the authority that signed that broker's certificate (PEM)."""
    cert_file: LocalPath | None = None
    """The edge node's own certificate (PEM); without host, that of [mqtt] where it is left out."""
    key_file: SecretFile | None = None
    """Private key of that certificate (PEM)."""

    @model_validator(mode="after")
    def _belong_together(self) -> Self:
        if self.host is None and (own := [name for name in _OWN_BROKER if name in self.model_fields_set]):
            raise rule(f"host beside {own[0]}; without host the broker of [mqtt] is used")
        check_credentials(self)
        return self

    @property
    def mqtt_version(self) -> Literal["3.1.1", "5"]:
        """The version to speak."""
        return "5" if self.version == "5" else "3.1.1"

    @property
    def uses_tls(self) -> bool:
        """Whether the line to a broker of its own is encrypted."""
        return self.tls or self.ca_file is not None or self.cert_file is not None
