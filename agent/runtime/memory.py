"""What a starting agent remembers: the newest records and events of the journal, what each cell was doing.

A bounded number of them.
"""

from __future__ import annotations

import json
from collections.abc import Mapping

from agent.contract.inputs import ControllerEvent, Reply
from agent.contract.records import Record
from agent.journal.journal import Journal
from agent.journal.reading import JournalReader
from agent.pipeline.pipeline import Pipeline
from agent.runtime.keeping import Batch

RECORDS_OF_KIND = {
    "check": 4000,
    "balance": 200,
    "wear": 200,
    "advice": 200,
    "cause": 50,
    "release": 200,
    "request": 400,
    "alert": 2000,
    "dispense": 4000,
}
"""Newest records of each kind: years of checks of a few guns, days of everything else."""
EVENTS = 5000
"""Newest events: what a redelivery may repeat, and the last setting and part of every gun."""
LASTING_EVENTS = ("needle_set", "part_changed", "setup_loaded")
"""Events whose effect lasts, however long ago they came."""
LASTING = 2000


def remembered(journal: JournalReader) -> tuple[list[Record], list[ControllerEvent | Reply]]:
    """Records, and events with the controller's replies, to restore, each oldest first."""
    rows = [
        row
        for kind, limit in RECORDS_OF_KIND.items()
        for row in journal.records(kind, limit=limit, newest_first=True)
    ]
    records: list[Record] = []
    for row in sorted(rows, key=lambda row: row.seq):
        try:
            records.append(row.record())
        except (KeyError, TypeError, ValueError):
            # Written by a later version: it stays in the journal, and this version does without.
            continue
    found = {row.seq: row for row in journal.events(limit=EVENTS, newest_first=True)}
    for kind in LASTING_EVENTS:
        found |= {row.seq: row for row in journal.events(kind=kind, limit=LASTING, newest_first=True)}
    events = [found[seq].event() for seq in sorted(found)]
    return records, [event for event in events if isinstance(event, (ControllerEvent, Reply))]


def cells_state(pipeline: Pipeline, batch: Batch) -> Mapping[str, bytes]:
    """What the cells are in the middle of, to be committed with a batch."""
    # Of the cells where something happened: all of a large site at every commit would cost 50 ms.
    cells = {record.cell for record in batch.records} | {event.cell for event in batch.events}
    return {
        f"cell/{name}": json.dumps(kept, separators=(",", ":")).encode()
        for name, kept in pipeline.kept(cells).items()
    }


def restore(pipeline: Pipeline, journal: Journal) -> None:
    """Bring a new pipeline to where the last run's was."""
    kept: dict[str, dict[str, object]] = {}
    for name in pipeline.lines:
        blob = journal.kept_state(f"cell/{name}")
        if blob:
            kept[name] = json.loads(blob)
    pipeline.restore(*remembered(journal), kept)
