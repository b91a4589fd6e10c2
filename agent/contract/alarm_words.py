"""What the states of an alarm are called where people read them."""

from __future__ import annotations

ALARM_STATES = {
    "NORM": "over",
    "UNACK": "ACTIVE, nobody has acknowledged it",
    "ACKED": "ACTIVE, acknowledged",
    "RTNUN": "over, nobody had acknowledged it",
    "SHLVD": "shelved",
    "DSUPR": "held back: another alarm has the same cause",
    "OOSRV": "out of service",
}
"""The states of ISA-18.2 in plain words."""
