"""Records and journals for the tests of the journal."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from made_records import make_alert, make_dispense, make_event

from agent.contract.inputs import ControllerEvent
from agent.contract.records import Alert, Dispense
from agent.journal.journal import Journal

OpenJournal = Callable[..., Journal]


@pytest.fixture
def open_journal(tmp_path: Path) -> Iterator[OpenJournal]:
    """Opens journals that are closed when the test ends."""
    opened: list[Journal] = []

    def open_one(folder: Path | None = None, **settings: Any) -> Journal:
        settings = {"version": "0.1.0", "config_digest": "0123456789abcdef"} | settings
        journal = Journal.open(folder or tmp_path / "state", **settings)
        opened.append(journal)
        return journal

    yield open_one
    for journal in opened:
        journal.close()


@pytest.fixture
def journal(open_journal: OpenJournal) -> Journal:
    return open_journal()


@pytest.fixture
def dispense() -> Callable[..., Dispense]:
    return make_dispense


@pytest.fixture
def alert() -> Callable[..., Alert]:
    return make_alert


@pytest.fixture
def event() -> Callable[..., ControllerEvent]:
    return make_event
