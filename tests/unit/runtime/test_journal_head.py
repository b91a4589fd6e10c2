"""The state topic carries the journal's newest hash, and with it a journal whose end was cut off is found."""

from __future__ import annotations

import json
import sqlite3
from pathlib import Path
from typing import Any

import pytest
from made_records import make_dispense
from running_agent import SITE

from agent.commands.main import main
from agent.pipeline.pipeline import Pipeline
from agent.runtime.agent import RunningAgent
from agent.runtime.clock import SystemClock
from agent.runtime.wiring import broker_of, journal_of
from agent.settings.load import load


@pytest.fixture
def told(tmp_path: Path) -> tuple[Path, str]:
    """The configuration of a site with ten records, and what its agent's state said of the journal."""
    config = tmp_path / "site.toml"
    config.write_text(SITE.format(port=1883))
    site = load(config)
    journal = journal_of(site)
    agent = RunningAgent(Pipeline(site.plan), journal, broker_of(site), SystemClock())
    assert json.loads(agent._online())["health"]["journal_head"] is None
    journal.append([make_dispense(n) for n in range(10)])
    head = json.loads(agent._online())["health"]["journal_head"]
    journal.close()
    return config, str(head)


def cut_off(state: Path, after: int) -> None:
    """Take the newest records away, as somebody would who knows the tables."""
    with sqlite3.connect(state / "journal.db") as raw:
        raw.execute("DELETE FROM records WHERE seq > ?", (after,))
        raw.execute(
            "UPDATE chains SET last_seq = ?, last_hash = (SELECT hash FROM records WHERE seq = ?) "
            "WHERE name = 'records'",
            (after, after),
        )
    raw.close()


def test_a_journal_whose_end_was_cut_off_is_found_by_the_hash_that_was_told(
    told: tuple[Path, str], capsys: Any
) -> None:
    config, head = told
    words = ["history", "--config", str(config), "--verify"]
    assert main([*words, "--head", head]) == 0
    cut_off(config.parent / "state", 7)
    assert main(words) == 0, "the chain alone cannot know"
    assert main([*words, "--head", head]) == 1
    assert "record 10 is not the one whose hash was kept elsewhere" in capsys.readouterr().out


@pytest.mark.parametrize("head", ["10", "0:" + "a" * 64, "10:xyz", "x:" + "a" * 64, ":"])
def test_a_head_that_is_none_is_refused(told: tuple[Path, str], head: str, capsys: Any) -> None:
    assert main(["history", "--config", str(told[0]), "--verify", "--head", head]) == 2
    assert "--head is" in capsys.readouterr().err
