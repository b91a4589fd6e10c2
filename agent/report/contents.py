"""What the report tells: read from the journal, one value for each thing that the page shows."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import TypeVar

from agent.contract.evidence import Evidence
from agent.contract.plan import Cell, Plan
from agent.contract.records import (
    Advice,
    Alert,
    Balance,
    Cause,
    Check,
    Dispense,
    Record,
    Release,
    Wear,
)
from agent.contract.times import epoch_s
from agent.journal.reading import JournalReader

CHECKS_SHOWN = 200
"""Newest checks of a gun in the chart: about two months of three shifts."""
ALARMS_SHOWN = 30
REJECTED_SHOWN = 4
"""Newest rejected dispenses of a gun since its latest check began."""
DISPENSES_LOOKED_AT = 200
Kind = TypeVar("Kind", bound=Record)


@dataclass(frozen=True, slots=True)
class ShotShown:
    """A shot of the latest check, with what it was computed from where that is kept."""

    dispense: Dispense
    evidence: Evidence | None
    used: bool
    why_left_out: str = ""


@dataclass(frozen=True, slots=True)
class GunShown:
    """A gun's part of the page."""

    name: str
    check: Check | None = None
    shots: tuple[ShotShown, ...] = ()
    rejected: tuple[ShotShown, ...] = ()
    """Dispenses since that check began that were good for nothing, and are in no check."""
    checks: tuple[Check, ...] = ()
    """Earlier and latest, oldest first."""
    wear: Wear | None = None
    advice: Advice | None = None


@dataclass(frozen=True, slots=True)
class CellShown:
    """A cell's part of the page."""

    name: str
    release: Release | None
    balance: Balance | None
    cause: Cause | None
    guns: tuple[GunShown, ...]
    alarms: tuple[Alert, ...]
    """The latest state of each alarm that is not gone."""
    past_alarms: tuple[Alert, ...]
    """The newest changes, newest first."""


@dataclass(frozen=True, slots=True)
class Contents:
    """The whole page."""

    agent: str
    timezone: str
    digest: str
    records: int
    newest_hash: str
    cells: tuple[CellShown, ...]
    newest_at: str | None
    faults: tuple[str, ...] = field(default=())
    """What was found damaged while reading."""


def contents_of(journal: JournalReader, plan: Plan) -> Contents:
    """Read everything the page shows. Raises JournalError where the journal cannot be read."""
    cells = tuple(_cell(journal, cell) for cell in plan.cells)
    records, newest_hash = journal.head()
    # What was brought in from paper is written last and is not the newest.
    last = journal.records(limit=1, newest_first=True, by_time=True)
    return Contents(
        agent=plan.agent,
        timezone=plan.timezone,
        digest=plan.digest,
        records=records,
        newest_hash=newest_hash,
        cells=cells,
        newest_at=last[0].at if last else None,
        faults=tuple(fault.text for fault in journal.take_faults()),
    )


def _cell(journal: JournalReader, cell: Cell) -> CellShown:
    alarms = newest(journal, Alert, cell.name, limit=2000)
    standing: dict[str, Alert] = {}
    for alarm in alarms:
        standing[alarm.name] = alarm
    return CellShown(
        name=cell.name,
        release=_last(newest(journal, Release, cell.name, limit=1)),
        balance=_last(newest(journal, Balance, cell.name, limit=1)),
        cause=_last(newest(journal, Cause, cell.name, limit=1)),
        guns=tuple(_gun(journal, cell.name, gun.name) for gun in cell.guns),
        alarms=tuple(alarm for alarm in standing.values() if alarm.state != "NORM"),
        past_alarms=tuple(reversed(alarms[-ALARMS_SHOWN:])),
    )


def _gun(journal: JournalReader, cell: str, gun: str) -> GunShown:
    checks = newest(journal, Check, cell, gun, limit=CHECKS_SHOWN)
    # A paper history stands for no check of today, however late it was brought in.
    check = _last([one for one in checks if not is_paper(one)]) or _last(checks)
    return GunShown(
        name=gun,
        check=check,
        shots=tuple(_shots(journal, check)) if check else (),
        rejected=tuple(_rejected(journal, cell, gun, check)),
        checks=tuple(checks),
        wear=_last(newest(journal, Wear, cell, gun, limit=1)),
        advice=_last(newest(journal, Advice, cell, gun, limit=1)),
    )


def _shots(journal: JournalReader, check: Check) -> Iterable[ShotShown]:
    why = {shot.id: shot.why for shot in check.left_out}
    found: list[ShotShown] = []
    for shot_id in [*(shot.id for shot in check.shots), *why]:
        row = journal.record(shot_id)
        record = row.record() if row is not None else None
        if isinstance(record, Dispense):
            left_out = why.get(shot_id, "")
            found.append(ShotShown(record, journal.evidence(shot_id), not left_out, left_out))
    return sorted(found, key=lambda shot: epoch_s(shot.dispense.started_at))


def _rejected(journal: JournalReader, cell: str, gun: str, check: Check | None) -> Iterable[ShotShown]:
    since_s = epoch_s(check.started_at) if check else 0.0
    told = {shot.id for shot in check.left_out} if check else set()
    found = [
        dispense
        for dispense in newest(journal, Dispense, cell, gun, limit=DISPENSES_LOOKED_AT)
        if dispense.quality == "rejected"
        and dispense.id not in told
        and epoch_s(dispense.started_at) >= since_s
    ]
    for dispense in found[-REJECTED_SHOWN:]:
        why = dispense.why_rejected or "rejected"
        yield ShotShown(dispense, journal.evidence(dispense.id), used=False, why_left_out=why)


def newest(
    journal: JournalReader, kind: type[Kind], cell: str, gun: str | None = None, *, limit: int
) -> list[Kind]:
    """The newest records of a kind, oldest first; what another version wrote and this one cannot read is left
    out.
    """
    found: list[Kind] = []
    # Checks from paper are older than the day on which they were written into the journal.
    by_time = kind is Check
    rows = journal.records(kind.record, cell, gun, limit=limit, newest_first=True, by_time=by_time)
    for row in reversed(rows):
        try:
            record = row.record()
        except (KeyError, TypeError, ValueError):
            # Of another version: the page does without, the journal keeps it.
            continue
        if isinstance(record, kind):
            found.append(record)
    return found


def is_paper(check: Check) -> bool:
    """Whether a check was brought in from a paper history."""
    return check.source == "imported"


def _last(records: Sequence[Kind]) -> Kind | None:
    return records[-1] if records else None
