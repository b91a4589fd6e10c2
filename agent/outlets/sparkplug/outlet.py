"""The Sparkplug outlet's thread: one MQTT connection of its own, fed from the journal.

While there is no connection the journal keeps what is new. After the births, which tell the newest values,
that backlog is told as historical values with the times they were found at, at most `MOST_LATE` records.
Sparkplug's own messages are QoS 0: what is on the wire while a line breaks is lost to SCADA, not to us.
"""

from __future__ import annotations

import contextlib
import logging
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass

from agent.broker.client import Address
from agent.contract.plan import Plan
from agent.contract.records import Check, Record
from agent.journal.errors import JournalBusy, JournalFull, JournalNotice
from agent.journal.outbox import OutletView
from agent.journal.rows import Row
from agent.journal.writing import keep_state
from agent.outlets.sparkplug.image import Image
from agent.outlets.sparkplug.line import Line, Unreachable
from agent.outlets.sparkplug.node import NUMBERS, EdgeNode
from agent.settings.secrets import SecretUnreadable

log = logging.getLogger(__name__)

OUTLET = "sparkplug"
KEPT = "sparkplug/bd-seq"
AT_ONCE = 100
"""Records told in one turn."""
MOST_LATE = 10_000
"""Of a longer backlog the oldest is not told: SCADA is no archive, the journal is."""
REBIRTH_EVERY_S = 1.0
"""Rebirths asked for more often than this are one."""
RECENT_ALARMS = 2000
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


class SparkplugOutlet:
    """The edge node. `run` is the thread; `step` is one turn of it."""

    def __init__(
        self,
        settings: SparkplugSettings,
        plan: Plan,
        view: OutletView,
        on_fault: Callable[[JournalNotice], None],
        now_s: Callable[[], float] = time.time,
    ) -> None:
        self._settings = settings
        self._plan = plan
        self._view = view
        self._on_fault = on_fault
        self._now_s = now_s
        self._line: Line | None = None
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
        if line is not None:
            with contextlib.suppress(Unreachable):
                line.leave(self._now_ms())

    def _connect(self) -> Line:
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
        line = Line(broker, node, self._now_ms())
        self._unused_bd_seq = False
        return line

    def _lost(self, why: str) -> float:
        self._line = None
        if why != self._told_fault:
            log.warning("sparkplug: %s", why)
            self._told_fault = why
            self._on_fault(JournalNotice("scada-lost", why))
        wait_s, self._wait_s = self._wait_s, min(self._wait_s * 2.0, 30.0)
        return wait_s

    def _turn(self, line: Line) -> None:
        line.turn()
        if not line.let_in:
            return
        if not line.born:
            self._be_born(line)
        elif line.rebirth and time.monotonic() - self._reborn_s > REBIRTH_EVERY_S:
            line.rebirth = False
            log.info("sparkplug: a rebirth was asked for")
            self._births(line)
        self._tell(line)

    def _be_born(self, line: Line) -> None:
        self._born_through = self._view.last_seq()
        _remember(line.node.image, self._plan, self._view)
        self._births(line)
        line.born = True
        self._wait_s = 1.0
        if self._told_fault:
            self._told_fault = ""
            self._on_fault(JournalNotice("scada-reached", "SCADA hears the agent again"))
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

    def _births(self, line: Line) -> None:
        self._reborn_s = time.monotonic()
        for message in line.node.births(self._now_ms()):
            line.publish(message)

    def _tell(self, line: Line) -> None:
        rows = self._view.pending(AT_ONCE)
        for row in rows:
            record = _record(row)
            if record is not None and not _from_paper(record):
                self._tell_one(line, record, historical=row.seq <= self._born_through)
        if rows:
            self._view.settle_rows(rows)

    def _tell_one(self, line: Line, record: Record, *, historical: bool) -> None:
        image = line.node.image
        changes = list(image.changes(record, historical=historical))
        if not historical:
            image.take(record)
        if changes:
            device = changes[0][0]
            metrics = [metric for _, metric in changes]
            line.publish(line.node.data(device, metrics, self._now_ms()))

    def _stored_bd_seq(self) -> int | None:
        kept = self._view.kept_state(KEPT)
        return int(kept) % NUMBERS if kept is not None and kept.isdigit() else None

    def _now_ms(self) -> int:
        return round(self._now_s() * 1000)


def _remember(image: Image, plan: Plan, view: OutletView) -> None:
    """Bring an image up to the journal: the newest record of every series."""
    rows = view.records("alert", limit=RECENT_ALARMS, newest_first=True)
    for cell in plan.cells:
        for kind in SERIES:
            rows += view.records(kind, cell.name, limit=1, newest_first=True)
        for gun in cell.guns:
            for kind in GUN_SERIES:
                rows += view.records(kind, cell.name, gun.name, limit=1, newest_first=True, by_time=True)
    for row in sorted(rows, key=lambda row: row.seq):
        record = _record(row)
        if record is not None and not _from_paper(record):
            image.take(record)


def _from_paper(record: Record) -> bool:
    """Whether this is a check of a paper history: long past, and no news for SCADA."""
    return isinstance(record, Check) and record.source == "imported"


def _record(row: Row) -> Record | None:
    try:
        return row.record()
    except (KeyError, TypeError, ValueError):
        # Written by a later version: it stays in the journal, and this outlet does without.
        return None
