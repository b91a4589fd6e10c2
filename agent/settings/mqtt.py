"""`[mqtt]`: the broker."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal, Protocol, Self

from pydantic import BeforeValidator, Field, WithJsonSchema, model_validator

from agent.settings.section import Host, Label, LocalPath, SecretFile, Section, TopicRoot, rule


def _as_text(value: object) -> object:
    # `version = 5` is what everybody writes first.
    return str(value) if isinstance(value, int) and not isinstance(value, bool) else value


Version = Annotated[
    Literal["auto", "5", "3.1.1"],
    BeforeValidator(_as_text),
    WithJsonSchema({"enum": ["auto", "5", "3.1.1", 5]}),
]


class Credentials(Protocol):
    """What a section holds to be let in at a broker."""

    @property
    def username(self) -> str | None:
        """User name."""

    @property
    def password_file(self) -> Path | None:
        """File of its password."""

    @property
    def cert_file(self) -> Path | None:
        """A certificate."""

    @property
    def key_file(self) -> Path | None:
        """Its private key."""


def check_credentials(section: Credentials) -> None:
    """Raise the fault of a section whose credentials are there by halves."""
    if (section.cert_file is None) != (section.key_file is None):
        raise rule("cert_file and key_file together, or neither")
    if section.password_file is not None and section.username is None:
        raise rule("username beside password_file")


class Mqtt(Section):
    """The broker, and how the agent proves to it who it is."""

    host: Host = "127.0.0.1"
    """Name or address of the broker."""
    port: Annotated[int, Field(ge=1, le=65535)] = 1883
    """Port of the broker; 8883 is usual with TLS."""
    root: TopicRoot
    """First level of every topic of the contract."""
    version: Version = "auto"
    """MQTT version: auto takes 5 where the broker speaks it, else 3.1.1, and says which."""
    client_id: Annotated[str, Field(min_length=1, max_length=128)] | None = None
    """Name of the session at the broker; "shotgram-" and the agent's id where it is left out."""
    username: Label | None = None
    """User name at the broker."""
    password_file: SecretFile | None = None
    """File that holds the password alone, or $CREDENTIALS_DIRECTORY/name."""
    tls: bool = False
    """Speak TLS and trust the system's authorities; implied by ca_file."""
    ca_file: LocalPath | None = None
    """Certificate of the authority that signed the broker's certificate (PEM)."""
    cert_file: LocalPath | None = None
    """The agent's own certificate (PEM)."""
    key_file: SecretFile | None = None
    """Private key of the agent's certificate (PEM)."""
    keepalive_s: Annotated[int, Field(ge=2, le=3600)] = 10
    """A dead line is noticed after about twice this many seconds."""
    connect_timeout_s: Annotated[float, Field(gt=0, le=60)] = 5.0
    """Wait so many seconds for a connection."""
    reconnect_max_s: Annotated[int, Field(ge=1, le=300)] = 5
    """Longest wait between two attempts to connect, seconds."""
    readings_qos: Literal[0, 1] = 0
    """QoS of the subscription to scale readings. At 0 a flood of readings cannot push events out of the
    broker's queue while the agent is away."""

    @model_validator(mode="after")
    def _belong_together(self) -> Self:
        check_credentials(self)
        return self

    @property
    def uses_tls(self) -> bool:
        """Whether the line to the broker is encrypted."""
        return self.tls or self.ca_file is not None or self.cert_file is not None
