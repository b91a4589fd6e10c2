"""The Sparkplug outlet's thread: one MQTT connection of its own, fed from the journal.

Everything happens in this thread: paho's loop is turned here, and its callbacks only note what came. Every
CONNECT is a client of its own, because the will carries the number of its connection (bdSeq).

While there is no connection the journal keeps what is new. After the births, which tell the newest values,
that backlog is told as historical values with the times they were found at, at most `MOST_LATE` records.
Sparkplug's own messages are QoS 0: what is on the wire while a line breaks is lost to SCADA, not to us.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from agent.broker.client import Address, Message, make_client
from agent.contract.plan import Plan
from agent.contract.records import Check, Record
from agent.journal.errors import Fault, JournalBusy, JournalFull
from agent.journal.outbox import OutletView
from agent.journal.rows import Row
from agent.journal.writing import keep_state
from agent.outlets.sparkplug.image import Image
from agent.outlets.sparkplug.node import NUMBERS, EdgeNode
from agent.outlets.sparkplug.payloads import asks_for_rebirth
from agent.settings.secrets import SecretUnreadable

log = logging.getLogger(__name__)

OUTLET = "sparkplug"
KEPT = "sparkplug/bd-seq"
TURN_S = 0.2
"""How long one turn of the network loop waits."""
AT_ONCE = 100
"""Records told in one turn."""
MOST_LATE = 10_000
"""Of a longer backlog the oldest is not told: SCADA is no archive, the journal is."""
ANSWER_S = 10.0
"""A broker that has not let us in and taken our subscription for so long is tried anew."""
LEAVE_S = 2.0
REBIRTH_EVERY_S = 1.0
"""Rebirths asked for more often than this are one."""
RECENT_ALARMS = 2000
REFUSED = 0x80
SERIES = ("balance", "release", "cause")
GUN_SERIES = ("check", "dispense", "wear", "advice")


@dataclass(frozen=True, slots=True)
class SparkplugSettings:
    """Who we are at which broker."""

    group: str
    edge: str
    broker: Callable[[], Address]
    """Read anew at every connection, so that a changed password is taken up."""
    version: str
    """Of the agent."""


class Unreachable(Exception):  # noqa: N818 - it reads as what it is
    """The broker cannot be reached, or it does not let us in."""


@dataclass(slots=True)
class _Line:
    """One connection, as its callbacks saw it."""

    client: paho.Client
    mqtt: str
    opened_s: float
    let_in: bool = False
    born: bool = False
    fault: str = ""
    rebirth: bool = False
    farewell: int | None = None
    """Message number of the farewell; None once the broker has it."""


class SparkplugOutlet:
    """The edge node. `run` is the thread; `step` is one turn of it."""

    def __init__(
        self,
        settings: SparkplugSettings,
        plan: Plan,
        view: OutletView,
        on_fault: Callable[[Fault], None],
        now_s: Callable[[], float] = time.time,
    ) -> None:
        self._settings = settings
        self._plan = plan
        self._view = view
        self._on_fault = on_fault
        self._now_s = now_s
        self._line: _Line | None = None
        self._node: EdgeNode | None = None
        self._bd_seq = self._stored_bd_seq()
        self._unused_bd_seq = False
        self._born_through = 0
        self._reborn_s = float("-inf")
        self._wait_s = 1.0
        self._told_fault = ""

    def run(self, stop: threading.Event) -> None:
        """Until `stop` is set. Raises JournalError where the agent must restart."""
        try:
            while not stop.is_set():
                wait_s = self.step()
                if wait_s > 0:
                    stop.wait(wait_s)
        finally:
            self.leave()
            self._view.close()

    def step(self) -> float:
        """One turn: connect, or turn the network loop and tell what is new. Seconds until the next one."""
        try:
            if self._line is None:
                self._line = self._connect()
            self._turn(self._line)
        except Unreachable as fault:
            return self._lost(str(fault))
        except (JournalFull, JournalBusy) as fault:
            log.warning("sparkplug: cannot settle what was told: %s", fault)
            return 1.0
        return 0.0

    def leave(self) -> None:
        """Say farewell and disconnect; harmless without a connection."""
        line, self._line = self._line, None
        if line is None:
            return
        if line.born and self._node is not None:
            *deaths, own = self._node.farewell(self._now_ms())
            for message in deaths:
                self._publish(line, message)
            if line.mqtt == "3.1.1":
                line.farewell = self._publish(line, own)
                self._loop_until(line, lambda: line.farewell is None)
        if line.mqtt == "5":
            # The broker itself publishes the death certificate, and only then is the connection over.
            with_will = ReasonCode(PacketTypes.DISCONNECT, "Disconnect with will message")
            line.client.disconnect(reasoncode=with_will)
        else:
            line.client.disconnect()
        self._loop_until(line, lambda: not line.client.is_connected())

    # --- the connection --------------------------------------------------------------------------------

    def _connect(self) -> _Line:
        settings = self._settings
        if not self._unused_bd_seq:
            self._bd_seq = (self._bd_seq + 1) % NUMBERS if self._bd_seq is not None else 0
            with self._view.database.transaction() as cursor:
                keep_state(cursor, KEPT, str(self._bd_seq).encode())
            self._unused_bd_seq = True
        image = Image(self._plan, settings.version, self._now_ms())
        node = EdgeNode(settings.group, settings.edge, image, self._bd_seq or 0)
        try:
            broker = settings.broker()
        except SecretUnreadable as fault:
            raise Unreachable(str(fault)) from fault
        # What Sparkplug asks of a session is what MQTT 3.1.1 gives too, and every host speaks that.
        mqtt = "5" if broker.version == "5" else "3.1.1"
        will = node.death(self._now_ms())
        try:
            client = make_client(broker, mqtt, will, AT_ONCE)
        except (OSError, ValueError) as fault:
            raise Unreachable(f"a certificate or key cannot be used: {fault}") from fault
        client.will_set(will.topic, will.payload, qos=will.qos, retain=will.retain)
        line = _Line(client, mqtt, time.monotonic())
        self._listen(line, node)
        try:
            if mqtt == "5":
                properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
                properties.SessionExpiryInterval = 0
                client.connect(
                    broker.host, broker.port, broker.keepalive_s, clean_start=True, properties=properties
                )
            else:
                client.connect(broker.host, broker.port, broker.keepalive_s)
        except (OSError, UnicodeError) as fault:
            raise Unreachable(f"no answer from {broker.host}:{broker.port} ({fault})") from fault
        self._unused_bd_seq = False
        self._node = node
        return line

    def _listen(self, line: _Line, node: EdgeNode) -> None:
        def on_connect(client: paho.Client, _d: Any, _f: Any, reason: ReasonCode, _p: Any) -> None:
            if reason.is_failure:
                line.fault = f"the broker refused: {reason}"
            else:
                client.subscribe(node.commands, 1)

        def on_subscribe(_c: paho.Client, _d: Any, _m: int, reasons: list[ReasonCode], _p: Any) -> None:
            if any(reason.value >= REFUSED for reason in reasons):
                line.fault = f"the broker refuses the subscription to {node.commands}"
            else:
                line.let_in = True

        def on_message(_c: paho.Client, _d: Any, message: paho.MQTTMessage) -> None:
            try:
                line.rebirth = asks_for_rebirth(bytes(message.payload)) or line.rebirth
            except ValueError as fault:
                log.warning("sparkplug: %s: %s", node.commands, fault)

        def on_publish(_c: paho.Client, _d: Any, mid: int, _r: ReasonCode, _p: Any) -> None:
            if mid == line.farewell:
                line.farewell = None

        def on_disconnect(_c: paho.Client, _d: Any, _f: Any, reason: ReasonCode, _p: Any) -> None:
            line.fault = line.fault or f"the connection ended: {reason}"

        line.client.on_connect = on_connect
        line.client.on_subscribe = on_subscribe
        line.client.on_message = on_message
        line.client.on_publish = on_publish
        line.client.on_disconnect = on_disconnect

    def _lost(self, why: str) -> float:
        self._line = None
        if why != self._told_fault:
            log.warning("sparkplug: %s", why)
            self._told_fault = why
            self._on_fault(Fault("scada-lost", why))
        wait_s, self._wait_s = self._wait_s, min(self._wait_s * 2.0, 30.0)
        return wait_s

    def _loop_until(self, line: _Line, done: Callable[[], bool]) -> None:
        until_s = time.monotonic() + LEAVE_S
        while not done() and not line.fault and time.monotonic() < until_s:
            line.client.loop(TURN_S)

    # --- what is told ----------------------------------------------------------------------------------

    def _turn(self, line: _Line) -> None:
        code = line.client.loop(TURN_S)
        if line.fault or code != paho.MQTT_ERR_SUCCESS:
            raise Unreachable(line.fault or paho.error_string(code))
        if not line.let_in:
            if time.monotonic() - line.opened_s > ANSWER_S:
                raise Unreachable("the broker does not answer")
            return
        if not line.born:
            self._be_born(line)
        elif line.rebirth and time.monotonic() - self._reborn_s > REBIRTH_EVERY_S:
            line.rebirth = False
            log.info("sparkplug: a rebirth was asked for")
            self._births(line)
        self._tell(line)

    def _be_born(self, line: _Line) -> None:
        self._born_through = self._view.last_seq()
        self._remember()
        self._births(line)
        line.born = True
        self._wait_s = 1.0
        if self._told_fault:
            self._told_fault = ""
            self._on_fault(Fault("scada-reached", "SCADA hears the agent again"))
        log.info(
            "sparkplug: born as %s/%s with MQTT %s, bdSeq %s",
            self._settings.group,
            self._settings.edge,
            line.mqtt,
            self._bd_seq,
        )
        late = self._view.backlog() - MOST_LATE
        if late > 0:
            log.warning("sparkplug: %d old records are not told", late)
            self._view.settle(self._born_through - MOST_LATE)

    def _births(self, line: _Line) -> None:
        self._reborn_s = time.monotonic()
        for message in self._the_node.births(self._now_ms()):
            self._publish(line, message)

    def _tell(self, line: _Line) -> None:
        rows = self._view.pending(AT_ONCE)
        for row in rows:
            record = _record(row)
            if record is not None and not _from_paper(record):
                self._tell_one(line, record, historical=row.seq <= self._born_through)
        if rows:
            self._view.settle_rows(rows)

    def _tell_one(self, line: _Line, record: Record, *, historical: bool) -> None:
        image = self._the_node.image
        changes = list(image.changes(record, historical=historical))
        if not historical:
            image.take(record)
        if changes:
            device = changes[0][0]
            metrics = [metric for _, metric in changes]
            self._publish(line, self._the_node.data(device, metrics, self._now_ms()))

    def _publish(self, line: _Line, message: Message) -> int:
        info = line.client.publish(message.topic, message.payload, qos=message.qos, retain=message.retain)
        if info.rc != paho.MQTT_ERR_SUCCESS:
            raise Unreachable(line.fault or paho.error_string(info.rc))
        return info.mid

    @property
    def _the_node(self) -> EdgeNode:
        if self._node is None:
            raise Unreachable("not connected")
        return self._node

    def _remember(self) -> None:
        """Bring the image up to the journal: the newest record of every series."""
        image, view = self._the_node.image, self._view
        rows = view.records("alert", limit=RECENT_ALARMS, newest_first=True)
        for cell in self._plan.cells:
            for kind in SERIES:
                rows += view.records(kind, cell.name, limit=1, newest_first=True)
            for gun in cell.guns:
                for kind in GUN_SERIES:
                    rows += view.records(kind, cell.name, gun.name, limit=1, newest_first=True, by_time=True)
        for row in sorted(rows, key=lambda row: row.seq):
            record = _record(row)
            if record is not None and not _from_paper(record):
                image.take(record)

    def _stored_bd_seq(self) -> int | None:
        kept = self._view.kept_state(KEPT)
        return int(kept) % NUMBERS if kept is not None and kept.isdigit() else None

    def _now_ms(self) -> int:
        return round(self._now_s() * 1000)


def _from_paper(record: Record) -> bool:
    """Whether this is a check of a paper history: long past, and no news for SCADA."""
    return isinstance(record, Check) and record.source == "imported"


def _record(row: Row) -> Record | None:
    try:
        return row.record()
    except (KeyError, TypeError, ValueError):
        # Written by a later version: it stays in the journal, and this outlet does without.
        return None
