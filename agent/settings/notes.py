"""What is worth a word in a configuration that is right."""

from __future__ import annotations

import ipaddress
from collections.abc import Iterator
from pathlib import Path

from agent.settings.cells import CellSection
from agent.settings.configuration import Configuration
from agent.settings.mqtt import Credentials
from agent.settings.secrets import complaint

SETTLING_S = 20.0
"""Settling and getting ready between two shots, seconds (common practice, no source)."""


def notes_of(configuration: Configuration) -> tuple[str, ...]:
    """Sentences about secrets, addresses and shifts."""
    return (
        *_about_secrets(configuration),
        *_about_addresses(configuration),
        *_about_shifts(configuration),
        *_about_names(configuration),
    )


def _about_names(configuration: Configuration) -> Iterator[str]:
    mqtt, sparkplug, standby = configuration.mqtt, configuration.sparkplug, configuration.standby
    if mqtt.username is None and mqtt.cert_file is None:
        return
    text = (
        "it enters the broker under the agent's own user name; where the broker makes the client id of that "
        "name, the two throw each other out: give it a username or a certificate of its own"
    )
    if sparkplug is not None and sparkplug.host is None and not _has_a_name(sparkplug):
        yield f"sparkplug: {text}"
    if standby is not None and not _has_a_name(standby):
        yield f"standby: {text}"


def _has_a_name(section: Credentials) -> bool:
    return section.username is not None or section.cert_file is not None


def _about_secrets(configuration: Configuration) -> Iterator[str]:
    files: dict[str, Path | None] = {
        "mqtt.password_file": configuration.mqtt.password_file,
        "mqtt.key_file": configuration.mqtt.key_file,
        "bridge.password_file": configuration.bridge.password_file,
        "bridge.key_file": configuration.bridge.key_file,
        "influx.token_file": configuration.influx.token_file if configuration.influx else None,
        "notify.urls_file": configuration.notify.urls_file if configuration.notify else None,
        "sparkplug.password_file": configuration.sparkplug.password_file if configuration.sparkplug else None,
        "sparkplug.key_file": configuration.sparkplug.key_file if configuration.sparkplug else None,
        "standby.password_file": configuration.standby.password_file if configuration.standby else None,
        "standby.key_file": configuration.standby.key_file if configuration.standby else None,
    }
    for setting, path in files.items():
        said = complaint(path) if path is not None else None
        if said is not None:
            yield f"{setting}: {said}"
    for setting, path in {
        "mqtt.ca_file": configuration.mqtt.ca_file,
        "mqtt.cert_file": configuration.mqtt.cert_file,
        "sparkplug.ca_file": configuration.sparkplug.ca_file if configuration.sparkplug else None,
        "sparkplug.cert_file": configuration.sparkplug.cert_file if configuration.sparkplug else None,
        "standby.cert_file": configuration.standby.cert_file if configuration.standby else None,
    }.items():
        if path is not None and not path.is_file():
            yield f"{setting}: {path} is not a file that can be read"
    if configuration.mqtt.password_file is not None and not configuration.mqtt.uses_tls:
        yield "mqtt: the password goes over the line in clear text; set ca_file or tls to encrypt it"


def _about_addresses(configuration: Configuration) -> Iterator[str]:
    for name, served in (("page", configuration.page), ("health", configuration.health)):
        if served.enabled and not _is_loopback(served.host):
            yield f"{name}: {served.host} is open to other machines and there is no login"


def _is_loopback(host: str) -> bool:
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def _about_shifts(configuration: Configuration) -> Iterator[str]:
    setups = {setup.name: setup for setup in configuration.setups}
    for cell in configuration.cells:
        for shift in cell.shifts:
            setup = setups[shift.setup]
            each_s = setup.bleed_s + setup.shots * (setup.shot_s + SETTLING_S)
            needed_min = len(cell.guns) * each_s / 60
            if needed_min > shift.lead_min:
                yield (
                    f"cell {cell.id}, shift {shift.name}: a check of its guns takes about "
                    f"{needed_min:.0f} min, but lead_min is {shift.lead_min:g}"
                )
        yield from _about_idle_parts(cell)


def _about_idle_parts(cell: CellSection) -> Iterator[str]:
    used = {gun.scale for gun in cell.guns}
    for scale in cell.scales:
        if scale.id not in used:
            yield f"cell {cell.id}: no gun shoots on the scale {scale.id}; its dispenses will be unattributed"
