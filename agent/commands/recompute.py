"""Every stored shot computed again from its raw readings, and what differs from what was said."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from agent.contract.record_json import payload
from agent.flow.evidence import surroundings_of, window_of
from agent.flow.measuring import measure
from agent.flow.record import dispense_record
from agent.journal.reading import JournalReader

RELATIVE = 1e-6
"""Differences below this come from another build of a numerical library and change no judgement."""


@dataclass(frozen=True, slots=True)
class Recomputed:
    """One shot, computed again."""

    id: str
    differences: dict[str, tuple[Any, Any]]
    """Member: (what the journal says, what comes out now)."""


def recompute(journal: JournalReader, since_s: float | None = None) -> Iterator[Recomputed]:
    """Each stored dispense whose raw readings are kept, oldest first."""
    for row, evidence in journal.with_evidence(since_s):
        window, around = window_of(evidence), surroundings_of(evidence)
        again = payload(dispense_record(window, around, measure(window, around)))
        stored = row.payload
        differences = {
            name: (stored.get(name), value)
            for name, value in again.items()
            if name in stored and not _same(stored[name], value)
        }
        yield Recomputed(row.id, differences)


def _same(stored: Any, again: Any) -> bool:
    if isinstance(stored, (int, float)) and isinstance(again, (int, float)):
        return math.isclose(stored, again, rel_tol=RELATIVE, abs_tol=1e-9)
    if isinstance(stored, list) and isinstance(again, list):
        return len(stored) == len(again) and all(map(_same, stored, again))
    if isinstance(stored, dict) and isinstance(again, dict):
        return stored.keys() == again.keys() and all(_same(stored[key], again[key]) for key in stored)
    return bool(stored == again)
