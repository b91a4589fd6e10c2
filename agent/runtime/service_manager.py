"""Talks to systemd: ready, alive, stopping. Does nothing where no service manager asked for it.

The protocol is sd_notify(3): one datagram to the socket named in NOTIFY_SOCKET.
"""

from __future__ import annotations

import logging
import os
import socket

log = logging.getLogger(__name__)


def tell(state: str) -> bool:
    """Send a state such as `READY=1`, `WATCHDOG=1`, `STATUS=...`; True when it was sent."""
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address:
        return False
    if address.startswith("@"):
        address = "\0" + address[1:]
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as line:
            line.settimeout(1.0)
            line.sendto(state.encode(), address)
    except OSError as fault:
        log.debug("the service manager did not hear %s: %s", state.split("=", maxsplit=1)[0], fault)
        return False
    return True


def watchdog_period_s() -> float | None:
    """How often systemd wants a sign of life (half of WATCHDOG_USEC), or None where it wants none."""
    try:
        return int(os.environ["WATCHDOG_USEC"]) / 2e6
    except (KeyError, ValueError):
        return None
