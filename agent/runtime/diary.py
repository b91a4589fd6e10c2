"""The job in the log: a line for each request, check, release and alarm, for whoever follows it."""

from __future__ import annotations

import logging

from agent.contract.records import Alert, Balance, Check, Dispense, Record, Release, Request
from agent.runtime.keeping import Batch

log = logging.getLogger(__name__)
LOUD = {"high": logging.WARNING, "medium": logging.WARNING, "low": logging.INFO}
"""Of an alarm that calls; one that is acknowledged, hidden or over calls nobody."""


def write(batch: Batch) -> None:
    """Log what was journalled with this batch."""
    for record in batch.records:
        line = told(record)
        if line is not None:
            log.log(line[0], "%s: %s", record.cell, line[1])


def told(record: Record) -> tuple[int, str] | None:
    """Level and text of a record's line; None for what is no news to people."""
    match record:
        case Request():
            return logging.INFO, f"asked for {record.shots} shots of {record.gun} ({record.why})"
        case Dispense() if record.quality == "rejected":
            return logging.INFO, f"a {record.purpose} of {record.gun} was rejected: {record.why_rejected}"
        case Check():
            return (
                logging.INFO,
                f"check of {record.gun} for {record.setup}: {record.verdict}, {record.reason}",
            )
        case Balance():
            return logging.INFO, f"balance for {record.setup}: {record.verdict}, {record.reason}"
        case Release():
            why = "; ".join(reason.text for reason in record.reasons)
            return logging.INFO, f"{record.setup} is {record.state}" + (f": {why}" if why else "")
        case Alert():
            level = LOUD[record.priority] if record.state == "UNACK" else logging.INFO
            return level, f"alarm {record.name} {record.state}: {record.text}"
        case _:
            return None
