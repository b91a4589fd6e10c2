"""Checks from a paper history: shown as such, and never as the check of today."""

from __future__ import annotations

from datetime import UTC
from pathlib import Path

import pytest
from played_journal import empty, worn

from agent.commands.main import main
from agent.journal.reading import JournalReader
from agent.page.memory import Memory
from agent.report.contents import Contents, contents_of
from agent.report.page import page_of
from agent.settings.site import Site

PAPER = "day,gun,shots\n2026-01-05,port,83.1 83.5 83.3\n2026-01-12,port,84.1 83.5 83.3\n"


def imported(site: Site) -> Contents:
    table = site.state_dir.parent / "paper.csv"
    table.write_text(PAPER)
    assert main(["history", "--config", str(site.file), "--import", str(table)]) == 0
    with JournalReader.of_folder(site.state_dir) as journal:
        return contents_of(journal, site.plan)


@pytest.fixture(scope="module")
def measured_too(tmp_path_factory: pytest.TempPathFactory) -> tuple[Site, Contents]:
    site = worn(tmp_path_factory.mktemp("measured"), days=6)
    return site, imported(site)


def test_what_was_imported_last_is_not_the_latest_check(measured_too: tuple[Site, Contents]) -> None:
    port = measured_too[1].cells[0].guns[0]
    assert port.check is not None
    assert port.check.source == "measured"
    assert [check.source for check in port.checks] == ["imported"] * 2 + ["measured"] * 6
    assert measured_too[1].newest_at is not None
    assert measured_too[1].newest_at.startswith("2026-03-07")


def test_the_report_draws_paper_hollow_and_says_so(measured_too: tuple[Site, Contents]) -> None:
    page = page_of(measured_too[1])
    assert 'class="point paper"' in page
    assert "8 checks, 2 of them from paper" in page
    assert "hollow: from a paper history" in page


def test_the_page_draws_it_hollow_too(measured_too: tuple[Site, Contents]) -> None:
    site, contents = measured_too
    memory = Memory(site.state_dir, site.plan)
    drawing = memory.cells()["booth-2"].guns["port"].drawing("port", UTC)
    memory.close()
    assert contents.cells
    assert 'class="point paper"' in drawing
    assert "hollow: from paper" in drawing


def test_a_gun_with_paper_alone_has_no_verdict_of_today(tmp_path: Path) -> None:
    page = page_of(imported(empty(tmp_path)))
    assert "from paper</span>" in page
    assert "No check of this gun was measured yet" in page
    assert "as written down" in page
    assert 'class="word pass"' not in page
    assert "guns side by side" not in page
