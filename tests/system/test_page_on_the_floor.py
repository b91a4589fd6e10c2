"""The page for the shop floor, in a real browser, while a simulated cell starts its shift."""

from __future__ import annotations

import http.client
import socket
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
from browser import WIDTHS, chromium, seen
from live_cell import live_cell
from playwright.sync_api import Browser, expect
from running_agent import wait_until

from agent.page.events import MOST_WATCHERS

pytestmark = [
    pytest.mark.real_part("mosquitto"),
    pytest.mark.real_part("chromium"),
    pytest.mark.timeout(300),
]
PATIENCE_MS = 90_000
"""A loaded machine with two cores runs a browser, a broker, a cell and the agent."""

READ_FROM_M = 3.0
ARC_MINUTES = 16.0
"""Least height of a capital that is read without effort: ISO 9241-303, 5.5.4 (from memory)."""
PIXEL_M = 0.531 / 1920
"""A 24-inch screen, 1920 pixels over 531 mm."""
CAPITAL = 0.7
"""Height of a capital over the size of its type: common practice, no source."""


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    expect.set_options(timeout=PATIENCE_MS)
    with chromium() as one:
        yield one


def test_a_shift_start_from_held_to_released(tmp_path: Path, mosquitto: Any, browser: Browser) -> None:
    with (
        live_cell(tmp_path, mosquitto.port, speed=20.0) as live,
        seen(browser, live.page_url, width=1920, height=1080) as screen,
    ):
        page = screen.page
        word = page.locator(".state .word")
        expect(word).to_have_text("Held", timeout=PATIENCE_MS)
        expect(page.locator("figure.spraying")).to_be_visible(timeout=PATIENCE_MS)
        points = page.locator("figure[data-scale=bench] polyline").get_attribute("points") or ""
        assert len(points.split()) > 20
        # What is being shot is on the screen without scrolling.
        box = page.locator("figure.spraying .curve").bounding_box()
        assert box is not None
        assert box["y"] + box["height"] <= 1080
        expect(page.locator(".gun", has_text="starboard").locator(".step")).to_have_text(
            "Check is running", timeout=PATIENCE_MS
        )
        expect(word).to_have_text("Released", timeout=PATIENCE_MS)
        expect(page.locator(".step")).to_have_text(["Ready", "Ready"], timeout=PATIENCE_MS)
        expect(page.locator(".state .for")).to_contain_text("gearbox-primer until Mon 17:3")
        assert screen.faults == []


def test_everything_fits_and_reads_for_everybody(tmp_path: Path, mosquitto: Any, browser: Browser) -> None:
    with live_cell(tmp_path, mosquitto.port, speed=20.0) as live:
        wait_until(lambda: "held" in live.states(), 60.0)
        for width in WIDTHS:
            for dark in (False, True):
                with seen(browser, live.page_url, width=width, dark=dark) as screen:
                    expect(screen.page.locator(".state .word")).to_be_visible()
                    assert screen.too_wide() == [], (width, dark)
                    assert screen.inaccessible() == [], (width, dark)
                    assert screen.faults == [], (width, dark)


def test_state_and_next_step_can_be_read_from_three_metres(
    tmp_path: Path, mosquitto: Any, browser: Browser
) -> None:
    needed_px = READ_FROM_M * ARC_MINUTES / 60.0 * 3.14159 / 180.0 / PIXEL_M / CAPITAL
    with (
        live_cell(tmp_path, mosquitto.port, speed=20.0) as live,
        seen(browser, live.page_url, width=1920, height=1080) as screen,
    ):
        expect(screen.page.locator(".state .word")).to_have_text("Held", timeout=PATIENCE_MS)
        for what in (".state .word", ".state .for", ".gun h3", ".gun .verdict", ".gun .step"):
            for one in screen.page.locator(what).all():
                size = one.evaluate("e => parseFloat(getComputedStyle(e).fontSize)")
                assert size >= needed_px, (what, size, needed_px)
                box = one.bounding_box()
                assert box is not None
                assert box["y"] + box["height"] <= 1080, (what, box)


def test_what_is_no_longer_current_is_never_shown_as_if_it_were(
    tmp_path: Path, mosquitto: Any, browser: Browser
) -> None:
    with (
        live_cell(tmp_path, mosquitto.port) as live,
        seen(browser, live.page_url) as screen,
    ):
        expect(screen.page.locator(".state .word")).to_have_text("Held", timeout=PATIENCE_MS)
        expect(screen.page.locator("body")).not_to_have_class("old")
        live.stop_worker.set()
        # The worker is gone, the server is not.
        expect(screen.page.locator("#cells .lost")).to_contain_text("Not current", timeout=PATIENCE_MS)
        expect(screen.page.locator("body")).to_have_class("old")
        live.stop.set()
        expect(screen.page.locator("#lost")).to_contain_text("no word from the agent", timeout=PATIENCE_MS)


def test_watchers_are_bounded_and_a_place_becomes_free(tmp_path: Path, mosquitto: Any) -> None:
    with live_cell(tmp_path, mosquitto.port) as live:
        address = urlsplit(live.page_url)

        def watch() -> socket.socket:
            one = socket.create_connection((str(address.hostname), int(address.port or 0)), timeout=10.0)
            one.sendall(b"GET /events HTTP/1.1\r\nHost: localhost\r\n\r\n")
            return one

        def status() -> int:
            line = http.client.HTTPConnection(str(address.hostname), address.port, timeout=10.0)
            line.request("GET", "/events")
            with line.getresponse() as answer:
                line.close()
                return answer.status

        watching = [watch() for _ in range(MOST_WATCHERS)]
        assert all(one.recv(64).startswith(b"HTTP/1.1 200") for one in watching)
        assert status() == 503
        watching.pop().close()
        wait_until(lambda: status() == 200)
        # The page itself is still served, and the worker still works.
        assert get(f"{live.page_url}/")[0] == 200
        before = live.board.read()
        wait_until(lambda: live.board.read() is not before)
        for one in watching:
            one.close()


def test_the_browser_may_load_nothing_from_elsewhere(tmp_path: Path, mosquitto: Any) -> None:
    with live_cell(tmp_path, mosquitto.port) as live:
        for path in ("/", "/cells", "/page.js", "/page.css", "/mark.svg", "/nothing-here"):
            _, headers, body = get(f"{live.page_url}{path}")
            policy = headers["content-security-policy"]
            assert "default-src 'none'" in policy
            assert "unsafe" not in policy
            assert headers["x-content-type-options"] == "nosniff"
            for outside in ("http://", "https://", "//cdn"):
                assert outside not in body.replace("http://www.w3.org/2000/svg", ""), path
        for method in ("POST", "PUT", "DELETE"):
            asked = urllib.request.Request(f"{live.page_url}/", data=b"", method=method)  # noqa: S310
            with pytest.raises(urllib.error.HTTPError) as refused:
                urllib.request.urlopen(asked, timeout=10.0)  # noqa: S310
            assert refused.value.code == 405
            refused.value.close()


def test_names_cannot_smuggle_in_markup(tmp_path: Path, mosquitto: Any, browser: Browser) -> None:
    hostile = "<img src=x onerror=document.title='taken'>"
    with (
        live_cell(
            tmp_path, mosquitto.port, rename={"starboard": hostile, "gearbox-primer": "<b>primer</b>"}
        ) as live,
        seen(browser, live.page_url) as screen,
    ):
        expect(screen.page.locator(".gun h3").nth(1)).to_have_text(hostile, timeout=PATIENCE_MS)
        expect(screen.page.locator(".state .for")).to_contain_text("<b>primer</b>", timeout=PATIENCE_MS)
        assert screen.page.locator("img").count() == 0
        assert screen.page.title() == "Cells of edge-7"
        assert screen.faults == []


def test_a_name_that_points_here_from_elsewhere_is_told_nothing(tmp_path: Path, mosquitto: Any) -> None:
    with live_cell(tmp_path, mosquitto.port) as live:
        for url in (f"{live.page_url}/cells", f"{live.page_url}/events", f"{live.health_url}/health"):
            status, _, text = get(url, host="rebound.example:8080")
            assert status == 421
            assert "booth-2" not in text
        port = urlsplit(live.page_url).port
        assert get(f"{live.page_url}/cells", host=f"localhost:{port}")[0] == 200
        assert get(f"{live.health_url}/health", host="[::1]")[0] == 200


def get(url: str, *, host: str | None = None) -> tuple[int, Any, str]:
    asked = urllib.request.Request(url, headers={} if host is None else {"host": host})  # noqa: S310
    try:
        with urllib.request.urlopen(asked, timeout=10.0) as answer:  # noqa: S310
            return answer.status, answer.headers, answer.read().decode()
    except urllib.error.HTTPError as fault:
        with fault:
            return fault.code, fault.headers, fault.read().decode()
