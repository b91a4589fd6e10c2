"""What a section on a broker says, in the words in which a client of the broker takes it."""

from __future__ import annotations

from pathlib import Path
from typing import Protocol, TypedDict

from agent.settings.mqtt import Credentials, Mqtt, Version
from agent.settings.secrets import located, read_secret


class BrokerSection(Credentials, Protocol):
    """A section that names a broker and how to be let in."""

    @property
    def port(self) -> int:
        """Port of the broker."""

    @property
    def uses_tls(self) -> bool:
        """Whether the line is encrypted."""

    @property
    def ca_file(self) -> Path | None:
        """Certificate of the authority."""


class Entrance(TypedDict):
    """Where a broker is and how to be let in; secrets are read, credentials of systemd are found."""

    host: str
    port: int
    username: str | None
    password: str | None
    tls: bool
    ca_file: Path | None
    cert_file: Path | None
    key_file: Path | None


class Habits(TypedDict):
    """How a line to the broker is kept."""

    version: Version
    keepalive_s: int
    connect_timeout_s: float
    reconnect_max_s: int


def entrance(section: BrokerSection, host: str) -> Entrance:
    """The way in at a broker. Raises SecretUnreadable where a password or a credential cannot be had."""
    return Entrance(
        host=host,
        port=section.port,
        username=section.username,
        password=read_secret(section.password_file) if section.password_file else None,
        tls=section.uses_tls,
        ca_file=located(section.ca_file) if section.ca_file else None,
        cert_file=located(section.cert_file) if section.cert_file else None,
        key_file=located(section.key_file) if section.key_file else None,
    )


def beside(mqtt: Mqtt, section: Credentials) -> Mqtt:
    """The agent's broker, with the credentials that a section has of its own in place of the agent's."""
    members = ("username", "password_file", "cert_file", "key_file")
    own = {name: value for name in members if (value := getattr(section, name)) is not None}
    return mqtt.model_copy(update=own)


def habits(mqtt: Mqtt) -> Habits:
    """How `[mqtt]` wants a line to be kept."""
    return Habits(
        version=mqtt.version,
        keepalive_s=mqtt.keepalive_s,
        connect_timeout_s=mqtt.connect_timeout_s,
        reconnect_max_s=mqtt.reconnect_max_s,
    )
