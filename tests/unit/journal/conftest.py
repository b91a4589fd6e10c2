"""Records and journals for the tests of the journal."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from agent.contract.inputs import ControllerEvent
from agent.contract.records import Alert, Dispense, record_id
from agent.contract.times import rfc3339
from agent.journal.journal import Journal

START_S = 1_770_000_000.0


def make_dispense(number: int, *, gun: str = "upper", at_s: float | None = None, **changes: Any) -> Dispense:
    at_s = START_S + 40.0 * number if at_s is None else at_s
    values: dict[str, Any] = {
        "id": record_id("dispense", "north", gun, number),
        "cell": "north",
        "at": rfc3339(at_s),
        "gun": gun,
        "scale": "floor",
        "setup": "impeller-barrier",
        "purpose": "shot",
        "check_id": None,
        "started_at": rfc3339(at_s - 25.0),
        "ended_at": rfc3339(at_s - 5.0),
        "open_s": 20.0,
        "open_s_from": "controller",
        "mass_g": 32.0 + number / 1000.0,
        "u_mass_g": 0.06,
        "flow_g_per_min": 96.0 + number * 0.003,
        "u_flow_g_per_min": 0.2,
        "flow_ml_per_min": 119.2,
        "steady_flow_g_per_min": 97.0,
        "evaporation_g_per_s": 0.0004,
        "pot_pressure_bar": 0.5,
        "fluid_c": 21.5,
        "quality": "good",
        "flags": (),
        "n_readings": 300,
    }
    return Dispense(**(values | changes))


def make_alert(number: int, at_s: float = START_S, **changes: Any) -> Alert:
    values: dict[str, Any] = {
        "id": record_id("alert", "north", "line-air", number),
        "cell": "north",
        "at": rfc3339(at_s),
        "name": "line-air",
        "state": "UNACK",
        "priority": "medium",
        "since": rfc3339(at_s),
        "text": "Air in the line",
        "consequence": "Flow is read too high",
        "action": "Bleed the line",
    }
    return Alert(**(values | changes))


def make_event(number: int, **changes: Any) -> ControllerEvent:
    values: dict[str, Any] = {
        "cell": "north",
        "event": "gun_opened",
        "t_s": START_S + number,
        "arrived_s": START_S + number + 0.05,
        "event_id": f"e-{number}",
        "gun": "upper",
        "purpose": "shot",
        "setup": "impeller-barrier",
    }
    return ControllerEvent(**(values | changes))


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
