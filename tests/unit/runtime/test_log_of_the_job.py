"""What the log says of an alarm, and how loudly."""

from __future__ import annotations

import logging

import pytest
from made_records import make_alert

from agent.runtime.diary import told


@pytest.mark.parametrize(
    ("state", "priority", "level"),
    [
        ("UNACK", "high", logging.WARNING),
        ("UNACK", "medium", logging.WARNING),
        ("UNACK", "low", logging.INFO),
        ("ACKED", "high", logging.INFO),
        ("RTNUN", "high", logging.INFO),
        ("SHLVD", "high", logging.INFO),
        ("DSUPR", "high", logging.INFO),
        ("NORM", "medium", logging.INFO),
    ],
)
def test_only_an_alarm_that_calls_is_a_warning(state: str, priority: str, level: int) -> None:
    line = told(make_alert(1, state=state, priority=priority))
    assert line == (level, f"alarm line-air {state}: Air in the line")
