"""Raises the alarms of trouble at the rim: of the line, the journal, the clock, the outlets."""

from __future__ import annotations

import logging
import time
from collections.abc import Sequence

from agent.assessment.alarms import Fault
from agent.journal.errors import JournalNotice
from agent.pipeline.pipeline import Pipeline
from agent.runtime.clock import Clock
from agent.runtime.keeping import Batch
from agent.runtime.trouble import Trouble

log = logging.getLogger(__name__)


class Raising:
    """Puts what the alarms say of a trouble into a turn's batch. Used in the worker's thread alone."""

    def __init__(self, pipeline: Pipeline, clock: Clock) -> None:
        self.trouble = Trouble()
        self._pipeline = pipeline
        self._clock = clock

    def tell(self, fault: Fault | None, batch: Batch) -> None:
        """Tell the alarms of a trouble, or of its end; None is no news."""
        if fault is not None:
            batch.add(self._pipeline.fault(fault, self._clock.now_s()))

    def lasting(self, name: str, holds: bool, batch: Batch, text: str = "") -> None:
        """A condition as it is now."""
        self.tell(self.trouble.lasting(name, holds, text), batch)

    def happened(self, code: str, text: str, batch: Batch) -> None:
        """Something happened, at one moment."""
        for fault in self.trouble.happened(code, text, time.monotonic()):
            self.tell(fault, batch)

    def journal(self, faults: Sequence[JournalNotice], batch: Batch) -> None:
        """What the journal reports."""
        for fault in faults:
            log.warning("journal: %s", fault.text)
            self.happened(fault.code, fault.text, batch)
