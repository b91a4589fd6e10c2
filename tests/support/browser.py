"""A headless Chromium that looks at our pages: its complaints, what is too wide, what a reader misses."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from axe_playwright_python.sync_playwright import Axe
from parts_found import needed
from playwright.sync_api import Browser, Page, sync_playwright

WIDTHS = (360, 768, 1440)
"""CSS pixels across: a telephone, a tablet upright, a desk."""


@contextmanager
def chromium() -> Iterator[Browser]:
    """Debian's Chromium, headless."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=needed("chromium"), args=["--no-sandbox", "--disable-gpu"]
        )
        try:
            yield browser
        finally:
            browser.close()


@dataclass
class Seen:
    """A page as one reader meets it, and everything that went wrong on the way."""

    page: Page
    faults: list[str] = field(default_factory=list)

    def too_wide(self) -> list[str]:
        """What sticks out of the window sideways, outside of boxes that scroll by themselves."""
        found: list[str] = self.page.evaluate(
            """() => {
              const wide = document.documentElement.clientWidth;
              if (document.documentElement.scrollWidth <= wide) return [];
              return [...document.querySelectorAll('body *')]
                .filter(e => !e.closest('.wide') && e.getBoundingClientRect().right > wide + 0.5)
                .slice(0, 5)
                .map(e => e.tagName + '.' + e.getAttribute('class') + ' ' + e.textContent.slice(0, 40));
            }"""
        )
        return found

    def inaccessible(self) -> list[str]:
        """What axe-core finds, a line each (WCAG 2.2 A and AA, and its best practices)."""
        result = Axe().run(self.page).response
        return [
            f"{found['id']}: {found['help']}: {[node['target'] for node in found['nodes']][:3]}"
            for found in result["violations"]
        ]

    def picture(self, path: Path, *, whole: bool = True) -> None:
        """Keep a picture."""
        self.page.screenshot(path=str(path), full_page=whole)


@contextmanager
def seen(browser: Browser, url: str, *, width: int = 1440, dark: bool = False, **more: Any) -> Iterator[Seen]:
    """Open a page at a width, light or dark; every complaint of the browser is kept in `faults`."""
    context = browser.new_context(
        viewport={"width": width, "height": more.pop("height", 900)},
        color_scheme="dark" if dark else "light",
        **more,
    )
    page = context.new_page()
    one = Seen(page)
    page.on(
        "console", lambda said: one.faults.append(said.text) if said.type in {"error", "warning"} else None
    )
    page.on("pageerror", lambda fault: one.faults.append(str(fault)))
    page.on("requestfailed", lambda request: one.faults.append(f"{request.url}: {request.failure}"))
    page.goto(url)
    try:
        yield one
    finally:
        context.close()
