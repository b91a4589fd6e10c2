"""Guards the worker against a message that the rooms cannot bear: it ends the agent once, and never again."""

from __future__ import annotations

import hashlib
import json
import logging
import threading
from collections.abc import Callable

from agent.contract.inputs import Undecodable
from agent.journal.journal import Journal
from agent.pipeline.pipeline import Outcome
from agent.runtime import last_words
from agent.runtime.happenings import Arrival
from agent.runtime.keeping import Batch, Keeper

log = logging.getLogger(__name__)

POISON = "poison"
POISONS_KEPT = 16


class WorkerFailed(Exception):  # noqa: N818  it tells what happened to the worker
    """A message that the rooms cannot bear: the agent ends, and its next start sets the message aside."""


class Guard:
    """Knows the messages that ended the agent before. Used in the worker's thread alone."""

    def __init__(self, journal: Journal, keeper: Keeper) -> None:
        self._journal = journal
        self._keeper = keeper
        self._poisons: list[str] = []

    def restore(self) -> None:
        """What the journal knows of earlier runs."""
        self._poisons = json.loads(self._journal.kept_state(POISON) or b"[]")

    def knows(self, arrival: Arrival) -> Undecodable | None:
        """Why this message is set aside; None where it never did harm."""
        if not self._poisons or _print_of(arrival) not in self._poisons:
            return None
        message = arrival.message
        return Undecodable(
            message.topic, message.arrived_s, "it ended the agent when it came before", "failed"
        )

    def run(
        self, work: Callable[[], Outcome], stop: threading.Event, arrival: Arrival | None = None
    ) -> Outcome:
        """The rooms' work. What they cannot bear ends this run, so that the next one begins in order; the
        message at fault is not acknowledged, and known when it comes again. Raises WorkerFailed.
        """
        try:
            return work()
        except Exception as fault:
            log.critical("the rooms failed", exc_info=True)
            text = f"{type(fault).__name__}: {fault}"[:300]
            if arrival is not None:
                self._poisons = [*self._poisons, _print_of(arrival)][-POISONS_KEPT:]
                why = Undecodable(arrival.message.topic, arrival.message.arrived_s, text, "failed")
                state = {POISON: json.dumps(self._poisons).encode()}
                self._keeper.commit(Batch(refused=[(arrival.message, why)], state=state), {}, stop)
                text = f"a message on {arrival.message.topic[:100]} could not be borne ({text})"
            last_words.leave(self._journal.folder, "worker-stuck", text)
            raise WorkerFailed(text) from fault


def _print_of(arrival: Arrival) -> str:
    return hashlib.sha256(arrival.message.topic.encode() + b"\0" + arrival.message.payload).hexdigest()[:32]
