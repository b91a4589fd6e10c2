"""Forwards the journal's records to a database that takes influxdb-client's v2 writes, each effectively once.

Rows are read in order, written synchronously, and settled only when the server has said that it has them. A
write whose answer was lost is repeated, and falls on the same points. influxdb-client's own batching and
retrying are not used: they drop what they cannot deliver, and measure their patience by the wall clock.

After an outage old and new rows take turns: the backlog drains in order while what happens now is not late.
"""

from __future__ import annotations

import logging
import random
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from agent.journal.errors import JournalBusy, JournalFull, JournalNotice
from agent.journal.outbox import OutletView
from agent.journal.rows import Row
from agent.outlets.influx_errors import Failure, failure_of
from agent.outlets.influx_patience import Patience, State
from agent.outlets.lanes import Lane, Lanes
from agent.outlets.line_protocol import lines_of

log = logging.getLogger(__name__)

OUTLET = "influx"
IDLE_S = 0.5
"""Between two looks into the journal."""
REJECTED_IN_A_ROW = 5
"""So many single rows rejected in a row, and the server is asked for a row that it took before."""


@dataclass(frozen=True, slots=True)
class InfluxSettings:
    """Where and how to write."""

    url: str
    org: str
    bucket: str
    token: Callable[[], str] = lambda: ""
    """Reads the token; asked again after a refusal, so that a new token needs no restart."""
    timeout_s: float = 5.0
    batch_rows: int = 500
    ca_file: Path | None = None


@dataclass(frozen=True, slots=True)
class Outcome:
    """What one step did."""

    did: Literal["idle", "waiting", "sent", "halved", "set-aside", "failed", "held"]
    rows: int = 0
    wait_s: float = 0.0
    """When there is something to do again, seconds from now."""
    faults: tuple[JournalNotice, ...] = ()
    """What to report: `sink-down`, `sink-recovered`, `sink-auth`, `sink-degraded`, `sink-steady`,
    `sink-rejects-all`, `point-rejected`, `journal-corrupt-row`."""


@dataclass(frozen=True, slots=True)
class Status:
    """The outlet's health."""

    state: State
    backlog: int
    """Records not forwarded yet."""
    oldest_at: str | None
    """Time of the oldest of them."""
    sent: int
    """Records forwarded since the start."""
    writes: int
    """Requests since the start."""
    failed_writes: int
    set_aside: int
    last_failure: str | None
    since_monotonic_s: float | None
    """When the present failure began, None while all is well."""


class TokenUnreadable(Exception):  # noqa: N818 - as SecretUnreadable
    """Example: the token's file is being replaced and is not there for a moment."""


class InfluxOutlet:
    """One outlet on its view of the journal. `step` does one thing, for driving by hand; `run` is the thread.

    The view should hold back rows whose time is not trusted: `journal.outlet_view("influx",
    hold_untrusted=True)`.
    """

    def __init__(
        self,
        settings: InfluxSettings,
        view: OutletView,
        *,
        jitter: Callable[[], float] = random.random,
        on_fault: Callable[[JournalNotice], None] | None = None,
    ):
        self.settings = settings
        self.view = view
        self._on_fault = on_fault
        self._lanes = Lanes(view, settings.batch_rows)
        self._patience = Patience(f"the database at {settings.url}", jitter)
        self._client: Any = None
        self._writer: Any = None
        self._rejected = 0
        self._last_taken: Row | None = None
        self._sent = self._writes = self._failed = self._aside = 0
        self._last_failure: str | None = None

    def step(self, now_s: float) -> Outcome:
        """One write at most (two after rejections). `now_s` is on a monotonic clock. Raises JournalError."""
        if now_s < self._patience.due_s:
            return Outcome("waiting", wait_s=self._patience.due_s - now_s)
        lane, rows = self._lanes.next_rows()
        if not rows:
            return Outcome("idle", wait_s=IDLE_S, faults=self._with_view([]))
        lines: list[str] = []
        for row in rows:
            try:
                lines += lines_of(row)
            except (ValueError, TypeError, KeyError, IndexError) as fault:
                return self._put_aside(row, f"it cannot be made a point: {type(fault).__name__} {fault}")
        failure = self._write(lines)
        if failure is None:
            return self._taken(lane, rows, now_s)
        return self._not_taken(lane, rows, failure, now_s)

    def run(self, stop: threading.Event) -> None:
        """Step until `stop` is set. Raises JournalError where the agent must restart."""
        try:
            while not stop.is_set():
                try:
                    outcome = self.step(time.monotonic())
                except (JournalFull, JournalBusy) as fault:
                    # Nothing is lost: what was sent and could not be settled is sent again.
                    log.warning("cannot settle what was sent: %s", fault)
                    outcome = Outcome("failed", wait_s=1.0)
                for told in outcome.faults:
                    if self._on_fault is not None:
                        self._on_fault(told)
                if outcome.wait_s > 0:
                    stop.wait(min(outcome.wait_s, IDLE_S))
        finally:
            self.close()

    def close(self) -> None:
        """Close the connections to the database and to the journal."""
        self._disconnect()
        self.view.close()

    def status(self) -> Status:
        """The outlet's health, for the agent's state; reads the journal."""
        oldest = self.view.oldest_pending()
        return Status(
            state=self._patience.state,
            backlog=self.view.backlog(),
            oldest_at=oldest.at if oldest else None,
            sent=self._sent,
            writes=self._writes,
            failed_writes=self._failed,
            set_aside=self._aside,
            last_failure=self._last_failure,
            since_monotonic_s=self._patience.since_s,
        )

    def _taken(self, lane: Lane, rows: Sequence[Row], now_s: float) -> Outcome:
        self.view.settle_rows(rows)
        self._sent += len(rows)
        self._last_taken = rows[-1]
        self._rejected = 0
        self._lanes.taken(lane)
        return Outcome("sent", rows=len(rows), faults=self._with_view(self._patience.taken(now_s)))

    def _not_taken(self, lane: Lane, rows: Sequence[Row], failure: Failure, now_s: float) -> Outcome:
        if failure.verdict != "rejected":
            self._lanes.failed()
        if failure.verdict == "later":
            wait_s, faults = self._patience.later(failure, now_s)
            return Outcome("failed", wait_s=wait_s, faults=self._with_view(faults))
        if failure.verdict == "refused":
            return self._hold(failure, now_s, "sink-auth")
        if len(rows) > 1:
            # The others may be stored already; sending them again does no harm.
            self._lanes.halve(lane, len(rows))
            return Outcome("halved", rows=len(rows), faults=self._with_view([]))
        self._rejected += 1
        if self._rejected > REJECTED_IN_A_ROW:
            if not self._still_takes():
                return self._hold(failure, now_s, "sink-rejects-all")
            self._rejected = 0
        return self._put_aside(rows[0], failure.text)

    def _hold(self, failure: Failure, now_s: float, code: str) -> Outcome:
        self._disconnect()
        wait_s, faults = self._patience.hold(failure, now_s, code)
        return Outcome("held", wait_s=wait_s, faults=self._with_view(faults))

    def _still_takes(self) -> bool:
        """Whether the server takes a row that it took before: then rows are at fault, and not the server."""
        return self._last_taken is not None and self._write(lines_of(self._last_taken)) is None

    def _put_aside(self, row: Row, why: str) -> Outcome:
        self.view.set_aside(row, why)
        self._aside += 1
        text = f"{row.kind} {row.id} (row {row.seq}) was not taken and is set aside: {why}"
        return Outcome(
            "set-aside", rows=1, faults=self._with_view([JournalNotice("point-rejected", text, row.seq)])
        )

    def _with_view(self, faults: list[JournalNotice]) -> tuple[JournalNotice, ...]:
        return (*faults, *self.view.take_faults())

    def _write(self, lines: Sequence[str]) -> Failure | None:
        if not lines:
            return None
        self._writes += 1
        try:
            writer = self._connected()
        except TokenUnreadable as fault:
            return Failure("refused", str(fault))
        try:
            writer.write(bucket=self.settings.bucket, org=self.settings.org, record=lines)
        except Exception as fault:
            failure = failure_of(fault)
            if failure is None:
                raise
            self._failed += 1
            self._last_failure = failure.text
            return failure
        return None

    def _connected(self) -> Any:
        if self._writer is None:
            import influxdb_client
            from influxdb_client.client.write_api import SYNCHRONOUS

            try:
                token = self.settings.token()
            except Exception as fault:
                raise TokenUnreadable(f"the token cannot be read: {fault}") from fault
            library: Any = influxdb_client  # it has next to no type hints
            settings = self.settings
            self._client = library.InfluxDBClient(
                settings.url,
                token=token or None,
                org=settings.org,
                timeout=round(settings.timeout_s * 1000),
                retries=False,
                ssl_ca_cert=str(settings.ca_file) if settings.ca_file else None,
            )
            self._writer = self._client.write_api(write_options=SYNCHRONOUS)
        return self._writer

    def _disconnect(self) -> None:
        client, self._client, self._writer = self._client, None, None
        if client is not None:
            client.close()
