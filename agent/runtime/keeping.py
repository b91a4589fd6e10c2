"""Gets a batch into the journal: with patience where the disk is full, and an end where it fails.

Until the journal has the batch nothing of it is acknowledged or told: the broker keeps what it sent.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from agent.contract.evidence import Evidence
from agent.contract.inputs import RawMessage, Undecodable
from agent.contract.records import Record
from agent.journal.errors import JournalError, JournalNotice
from agent.journal.journal import Journal
from agent.pipeline.pipeline import EMPTY, Outcome, Told
from agent.runtime import last_words
from agent.runtime.happenings import Arrival

log = logging.getLogger(__name__)

RETRY_S = 1.0
SAY_AGAIN_S = 60.0
KEPT_REFUSED = 50
"""Unreadable messages kept of one batch: a flood of them must not wear out the disk; all are counted."""


@dataclass(slots=True)
class Batch:
    """What one turn of the worker must commit before it may acknowledge."""

    arrivals: list[Arrival] = field(default_factory=list)
    records: list[Record] = field(default_factory=list)
    events: list[Told] = field(default_factory=list)
    evidence: dict[str, Evidence] = field(default_factory=dict)
    refused: list[tuple[RawMessage, Undecodable]] = field(default_factory=list)
    state: dict[str, bytes] = field(default_factory=dict)

    def add(self, outcome: Outcome) -> None:
        """Put what came of one message with the rest."""
        if outcome is EMPTY:
            return
        self.records.extend(outcome.records)
        self.evidence.update(outcome.evidence)
        self.events.extend(outcome.told)

    def refuse(self, message: RawMessage, why: Undecodable) -> None:
        """A message that cannot be used goes to the quarantine, if it is not one of too many."""
        if len(self.refused) < KEPT_REFUSED:
            self.refused.append((message, why))

    @property
    def worth_committing(self) -> bool:
        """Whether the journal has to hear of it."""
        return bool(self.records or self.events or self.refused or self.state)


class Keeper:
    """Commits batches. `alive` is called between two tries, `tell` with an alarm that cannot wait."""

    def __init__(
        self, journal: Journal, *, tell: Callable[[str, str], None], alive: Callable[[], float]
    ) -> None:
        self._journal = journal
        self._tell = tell
        self._alive = alive
        self._told: dict[str, float] = {}
        self.fault: str | None = None
        """Why the journal takes nothing now; None where it does."""

    def commit(
        self, batch: Batch, kept: Mapping[str, bytes], stop: threading.Event
    ) -> Sequence[JournalNotice] | None:
        """What the journal has to report, or None where the agent was told to stop before it had room.

        Raises JournalError where the agent must end.
        """
        while True:
            try:
                faults = self._journal.append(
                    batch.records,
                    batch.events,
                    batch.evidence,
                    state={**kept, **batch.state},
                    refused=batch.refused,
                ).faults
                self.fault = None
                return faults  # noqa: TRY300
            except JournalError as fault:
                self.fault = str(fault)
                self.judge(fault)
                log.error("the journal cannot take a record: %s; trying again", fault)  # noqa: TRY400
            if stop.wait(RETRY_S):
                return None
            self._alive()

    def judge(self, fault: JournalError) -> None:
        """Tell of trouble with the journal at once; raises it where the agent must end."""
        now_s = self._alive()
        if fault.must_restart or now_s - self._told.get(fault.alarm, float("-inf")) >= SAY_AGAIN_S:
            self._told[fault.alarm] = now_s
            self._tell(fault.alarm, str(fault))
        if fault.must_restart:
            last_words.leave(self._journal.folder, fault.alarm, str(fault))
            raise fault
