"""The alarms of the line to the broker: lost, hung, refused, taken by another, its session gone."""

from __future__ import annotations

import logging
import time
from collections import deque
from collections.abc import Mapping

from agent.journal.journal import Journal
from agent.runtime.happenings import LinkDown, LinkUp
from agent.runtime.keeping import Batch
from agent.runtime.mqtt_link import MqttLink
from agent.runtime.raising import Raising

log = logging.getLogger(__name__)

SESSION = "session"
SHORT_S = 5.0
FLAPS = 5
FLAPS_WITHIN_S = 60.0
"""A line that stood for less than `SHORT_S`, so often within so long: somebody takes it from us each time."""
LINE_ALARMS: Mapping[str, str] = {"hung": "link-down", "tls": "tls-refused"}
"""How a line ended or failed, and the alarm that says so besides `broker-lost`."""


class LineAlarms:
    """Follows the line up and down. Used in the worker's thread alone."""

    def __init__(self, link: MqttLink, journal: Journal, alarms: Raising) -> None:
        self._link = link
        self._journal = journal
        self._alarms = alarms
        self._up_s = float("-inf")
        self._short: deque[float] = deque(maxlen=FLAPS)

    def up(self, up: LinkUp, batch: Batch) -> None:
        """The broker let us in."""
        kept = "session kept" if up.session_kept else "new session"
        log.info("connected to %s with MQTT %s, %s", self._link.broker, up.version, kept)
        self._up_s = time.monotonic()
        for name in ("broker-lost", "broker-unreachable", *LINE_ALARMS.values()):
            self._alarms.lasting(name, False, batch)
        known = up.generation > 1 or self._journal.kept_state(SESSION) is not None
        if up.generation == 1:
            batch.state[SESSION] = b"made"
        if known and not up.session_kept:
            text = "the broker lost our session: what was sent while we were away is gone"
            self._alarms.happened("session-lost", text, batch)

    def down(self, down: LinkDown, batch: Batch) -> None:
        """The line ended, or could not be made."""
        log.warning("no broker: %s", down.why)
        name = LINE_ALARMS.get(down.kind)
        if name is not None:
            self._alarms.lasting(name, True, batch, down.why)
        if down.kind == "taken-over" or self._flaps():
            text = (
                "the connection is lost right after it was made, again and again: another program connects "
                f"with the client id {self._link.broker.client_id!r}, or the network is unfit"
            )
            self._alarms.happened("client-id-taken", text, batch)
        first = "broker-lost" if self._link.generation else "broker-unreachable"
        self._alarms.lasting(first, True, batch, down.why)

    def _flaps(self) -> bool:
        now_s = time.monotonic()
        if now_s - self._up_s < SHORT_S:
            self._short.append(now_s)
        self._up_s = float("-inf")
        return len(self._short) == FLAPS and now_s - self._short[0] < FLAPS_WITHIN_S
