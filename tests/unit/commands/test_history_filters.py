"""A filter that leaves nothing is told apart from a journal that has nothing."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from played_journal import played

from agent.commands.main import main


@pytest.fixture(scope="module")
def config(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A site whose second gun was out of balance, on one day."""
    return played(tmp_path_factory.mktemp("filters"), "gun-out-of-balance").file


def shown(capsys: pytest.CaptureFixture[str], config: Path, *words: str) -> tuple[str, str]:
    capsys.readouterr()
    assert main(["history", "--config", str(config), *words]) == 0
    said = capsys.readouterr()
    return said.out, said.err


def test_a_day_after_all_records_says_how_many_came_before(
    config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ("--kind", "check", "--gun", "starboard")
    out, _ = shown(capsys, config, *words, "--json")
    checks = len(out.splitlines())
    assert checks
    out, _ = shown(capsys, config, *words, "--since", "2035-01-01")
    assert out == f"Checks: none of gun starboard since 2035-01-01; {checks} before that day\n\n"


def test_a_kind_that_never_was_is_none_yet(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out, _ = shown(capsys, config, "--kind", "check", "--cell", "agent")
    assert "Checks: none of cell agent yet; " in out
    assert out.endswith(" of others\n\n")
    out, _ = shown(capsys, config, "--kind", "request", "--since", "2035-01-01")
    assert out == "Checks asked for: none yet\n\n"


def test_what_is_told_of_a_cell_is_not_missed_of_a_gun(
    config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out, _ = shown(capsys, config, "--kind", "balance", "--json")
    balances = len(out.splitlines())
    out, _ = shown(capsys, config, "--kind", "balance", "--gun", "port")
    told = "told of a whole cell, not of one gun"
    assert out == f"Balance of the guns: {told}; {balances} without --gun\n\n"


def test_a_program_that_reads_is_told_beside_what_it_reads(
    config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out, err = shown(capsys, config, "--kind", "wear", "--since", "2035-01-01", "--csv")
    assert out == ""
    assert "shotgram history: wear: none since 2035-01-01; " in err
    out, _ = shown(capsys, config, "--kind", "wear", "--last", "1", "--json")
    assert json.loads(out)["record"] == "wear"
