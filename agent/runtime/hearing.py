"""What becomes of a message: a canary, one that is set aside, or one for the pipeline."""

from __future__ import annotations

import logging
import threading
import time

from agent.pipeline.pipeline import EMPTY, Outcome, Pipeline
from agent.runtime.abilities import Abilities
from agent.runtime.access import Access
from agent.runtime.guarding import Guard
from agent.runtime.happenings import Arrival
from agent.runtime.keeping import Batch

log = logging.getLogger(__name__)


class Hearing:
    """Takes messages into the batch of this turn. Used in the worker's thread alone."""

    def __init__(
        self, pipeline: Pipeline, guard: Guard, abilities: Abilities, access: Access, own: str
    ) -> None:
        """`own` is the topic of the agent's own canaries."""
        self.messages = 0
        """Heard so far, canaries left out."""
        self.last_message_s: float | None = None
        """When the last one came, epoch seconds."""
        self._pipeline = pipeline
        self._guard = guard
        self._abilities = abilities
        self._access = access
        self._own = own

    def take(self, arrival: Arrival, batch: Batch, stop: threading.Event) -> None:
        """Take one message. Raises WorkerFailed where the rooms cannot bear it."""
        message = arrival.message
        if message.topic == self._own and (
            self._abilities.heard(message, time.monotonic()) or self._access.is_canary(message, batch)
        ):
            batch.arrivals.append(arrival)
            return
        self.messages += 1
        self.last_message_s = message.arrived_s
        batch.add(self._outcome(arrival, batch, stop))
        if message.qos:
            batch.arrivals.append(arrival)

    def _outcome(self, arrival: Arrival, batch: Batch, stop: threading.Event) -> Outcome:
        message = arrival.message
        if (why := self._guard.knows(arrival)) is not None:
            batch.refuse(message, why)
            return EMPTY
        outcome = self._guard.run(lambda: self._pipeline.take(message), stop, arrival)
        if outcome.complaint:
            log.warning("%s", outcome.complaint)
        if outcome.refused is not None:
            batch.refuse(message, outcome.refused)
        return outcome
