"""What an agent left that had to end: told by the next one, whatever happens to that."""

from __future__ import annotations

from pathlib import Path

from agent.broker.client import Address
from agent.contract.plan import Cell, Gun, Plan, Scale
from agent.journal.journal import Journal
from agent.pipeline.pipeline import Pipeline
from agent.runtime import last_words
from agent.runtime.agent import RunningAgent
from agent.runtime.clock import SystemClock

CELL = Cell("dock", (Scale("bench", 0.1, 5000.0),), (Gun("port", "bench"),))


def agent_on(journal: Journal) -> RunningAgent:
    plan = Plan("edge", "yard", "Europe/Helsinki", (CELL,), (), ())
    return RunningAgent(Pipeline(plan), journal, Address("127.0.0.1", 1, "shotgram-edge"), SystemClock())


def test_last_words_stay_until_the_journal_has_them(tmp_path: Path) -> None:
    last_words.leave(tmp_path, "worker-stuck", "a message could not be borne")
    with_words = Journal.open(tmp_path, version="0.1.0", config_digest="0")
    agent_on(with_words)  # it is killed before its first commit
    assert [found.code for found in last_words.find(tmp_path)] == ["worker-stuck"]

    agent_on(with_words).turn()
    told = [row.payload for row in with_words.records("alert")]
    assert [(alert["name"], alert["state"]) for alert in told] == [("worker-stuck", "UNACK")]
    assert "could not be borne" in told[0]["text"]
    assert last_words.find(tmp_path) == []
    with_words.close()


def test_a_note_that_cannot_be_read_is_no_trouble(tmp_path: Path) -> None:
    (tmp_path / last_words.FILE_NAME).write_text("{")
    assert last_words.find(tmp_path) == []
