"""The report in a real browser: several journals, widths, light and dark, on paper, and hostile names."""

from __future__ import annotations

import html
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from browser import WIDTHS, chromium, seen
from parts_found import needed
from played_journal import SITE, empty, played, worn
from playwright.sync_api import Browser

from agent.commands.report import write_report
from agent.settings.site import Site

pytestmark = [pytest.mark.real_part("chromium"), pytest.mark.timeout(300)]

HOSTILE = "<img src=x onerror=document.title='taken'>"
A4_PT = (595.3, 841.9)
"""ISO 216: 210 mm x 297 mm in points of 1/72 inch."""

JOURNALS: dict[str, Callable[[Path], Site]] = {
    "released": lambda folder: played(folder, "good-day"),
    "held with alarms": lambda folder: played(folder, "gun-out-of-balance", most=4200),
    "a spoiled shot": lambda folder: played(folder, "container-knocked-over"),
    "weeks of wear": worn,
    "eight guns": lambda folder: played(folder, "worn-nozzle", eight_guns()),
    "two hundred checks": lambda folder: worn(folder, days=200, wear_pct_per_day=0.03),
    "nothing": empty,
}
MOST_PAGES = {"eight guns": 10}
"""Sheets of paper; any other report has five at most."""


def eight_guns() -> str:
    """The site with six guns more."""
    gun = '\n  [[cells.guns]]\n  id = "{}"\n  scale = "bench"\n'
    names = ("dome-upper", "dome-lower", "rim-inside", "rim-outside", "hub", "a-gun-with-a-long-name")
    return SITE + "".join(gun.format(name) for name in names)


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as one:
        yield one


@pytest.fixture(scope="module")
def reports(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    made: dict[str, Path] = {}
    for name, make in JOURNALS.items():
        folder = tmp_path_factory.mktemp("report")
        write_report(make(folder), folder / "report.html")
        made[name] = folder / "report.html"
    return made


@pytest.mark.parametrize("name", JOURNALS)
@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_it_fits_and_reads_for_everybody(
    reports: dict[str, Path], browser: Browser, name: str, dark: bool
) -> None:
    for width in WIDTHS:
        with seen(browser, reports[name].as_uri(), width=width, dark=dark) as screen:
            screen.page.evaluate("document.querySelectorAll('details').forEach(e => { e.open = true })")
            assert screen.faults == [], width
            assert screen.too_wide() == [], width
            # The latest check of a gun is read without scrolling, on a telephone too.
            assert screen.page.evaluate(
                "[...document.querySelectorAll('.gun > .wide')].every(e => e.scrollWidth <= e.clientWidth)"
            ), width
            if width == WIDTHS[0]:
                assert screen.inaccessible() == []


@pytest.mark.parametrize("name", JOURNALS)
def test_it_prints_on_a4_with_nothing_cut_off(
    reports: dict[str, Path], browser: Browser, name: str, tmp_path: Path
) -> None:
    paper = tmp_path / "report.pdf"
    with seen(browser, reports[name].as_uri()) as screen:
        screen.page.pdf(path=str(paper), prefer_css_page_size=True)
        inner = (210 - 26) / 25.4 * 96
        screen.page.emulate_media(media="print")
        screen.page.set_viewport_size({"width": int(inner), "height": 1000})
        assert screen.too_wide() == []
    told = subprocess.run(
        [str(Path(needed("poppler")).with_name("pdfinfo")), str(paper)],
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    lines = dict(line.split(":", 1) for line in told.splitlines() if ":" in line)
    size = lines["Page size"].split()
    assert float(size[0]) == pytest.approx(A4_PT[0], abs=1.0)
    assert float(size[2]) == pytest.approx(A4_PT[1], abs=1.0)
    assert int(lines["Pages"]) <= MOST_PAGES.get(name, 5)


def test_the_answer_stands_first(reports: dict[str, Path], browser: Browser) -> None:
    for name, word in (
        ("released", "released"),
        ("held with alarms", "held"),
        ("nothing", "Nothing decided"),
    ):
        with seen(browser, reports[name].as_uri(), height=700) as screen:
            verdict = screen.page.locator(".state .verdict").first
            assert verdict.inner_text().lower() == word.lower()
            box = verdict.bounding_box()
            assert box is not None
            assert box["y"] + box["height"] < 250
    with seen(browser, reports["held with alarms"].as_uri()) as screen:
        reasons = screen.page.locator(".reasons li")
        assert reasons.count() >= 2
        assert "Set the needle" in reasons.first.inner_text()


def test_every_picture_has_words_beside_it(reports: dict[str, Path], browser: Browser) -> None:
    for path in reports.values():
        with seen(browser, path.as_uri()) as screen:
            for drawing in screen.page.locator("svg.chart").all():
                assert drawing.get_attribute("role") == "img"
                assert drawing.locator("title").text_content()
                assert drawing.locator("desc").text_content()


def test_a_spoiled_shot_shows_its_readings_and_why_and_no_flow(
    reports: dict[str, Path], browser: Browser
) -> None:
    with seen(browser, reports["a spoiled shot"].as_uri()) as screen:
        spoiled = screen.page.locator("details.shot", has_text="rejected").first
        assert "container" in spoiled.locator("summary").first.inner_text()
        assert spoiled.locator("svg.chart").count() == 1
        assert spoiled.locator("svg.chart .fit").count() == 0
        assert "g/min" not in spoiled.locator("summary").first.inner_text()


def test_wear_shows_its_forecast_and_its_due_day(reports: dict[str, Path], browser: Browser) -> None:
    with seen(browser, reports["weeks of wear"].as_uri()) as screen:
        gun = screen.page.locator(".gun", has_text="Gun port")
        assert gun.locator(".forecast").count() == 1
        assert "Due" in gun.inner_text()
        assert screen.page.locator(".gun", has_text="Gun starboard").locator(".forecast").count() == 0


def test_it_needs_nothing_from_elsewhere(reports: dict[str, Path], browser: Browser) -> None:
    for path in reports.values():
        text = path.read_text(encoding="utf-8")
        assert "<script" not in text
        assert "http://" not in text
        assert "https://" not in text
        with seen(browser, path.as_uri(), offline=True, java_script_enabled=True) as screen:
            assert screen.faults == []


def test_names_cannot_smuggle_in_markup(tmp_path: Path, browser: Browser) -> None:
    text = SITE.replace('"starboard"', f'"{HOSTILE}"').replace('"gearbox-primer"', '"<b>primer</b>"')
    site = played(tmp_path, "gun-out-of-balance", text, most=4200)
    write_report(site, tmp_path / "report.html")
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert HOSTILE not in page
    assert "<b>primer" not in page
    assert html.escape(HOSTILE) in page
    with seen(browser, (tmp_path / "report.html").as_uri()) as screen:
        assert screen.page.locator("img").count() == 0
        assert screen.page.title() == "Gun flow report, edge-7"
        assert screen.page.locator(".gun h3").nth(1).inner_text() == f"Gun {HOSTILE}"
        assert screen.faults == []
