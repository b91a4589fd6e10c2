"""Which real parts this machine has, and what follows where one is missing."""

from __future__ import annotations

import os
import shutil

import pytest

PARTS: dict[str, tuple[tuple[str, ...], str]] = {
    "mosquitto": (("mosquitto",), "apt-get install mosquitto"),
    "mosquitto-clients": (("mosquitto_sub",), "apt-get install mosquitto-clients"),
    "victoria-metrics": (("victoria-metrics", "victoria-metrics-prod"), "apt-get install victoria-metrics"),
    "influxd": (("influxd",), "apt-get install influxdb"),
    "chromium": (("chromium", "chromium-browser"), "apt-get install chromium"),
    "prometheus": (("promtool", "prometheus"), "apt-get install prometheus"),
    "prometheus-server": (("prometheus",), "apt-get install prometheus"),
    "poppler": (("pdftoppm",), "apt-get install poppler-utils"),
    "strace": (("strace",), "apt-get install strace"),
    "rabbitmq": (("rabbitmq-server",), "apt-get install rabbitmq-server"),
    "nats": (("nats-server",), "apt-get install nats-server"),
    "openssl": (("openssl",), "apt-get install openssl"),
    "ssh-keygen": (("ssh-keygen",), "apt-get install openssh-client"),
}
"""Real parts: (names of the program, how to get it)."""
_SEARCH = os.pathsep.join([os.environ.get("PATH", ""), "/usr/sbin", "/usr/local/sbin", "/sbin"])


def find_part(name: str) -> str | None:
    """Path of a real part's program, or None where this machine has none."""
    programs, _ = PARTS.get(name, ((name,), ""))
    return next((path for program in programs if (path := shutil.which(program, path=_SEARCH))), None)


def missing(why: str) -> None:
    """Skip, or fail where the real parts were promised."""
    if os.environ.get("SHOTGRAM_REAL_PARTS") == "1":
        pytest.fail(f"{why} (SHOTGRAM_REAL_PARTS=1)", pytrace=False)
    pytest.skip(why)


def needed(name: str) -> str:
    """Path of a real part's program; skips, or fails, where there is none."""
    program = find_part(name)
    if program is None:
        missing(f"needs the real {name}: {PARTS[name][1]}")
    return str(program)
