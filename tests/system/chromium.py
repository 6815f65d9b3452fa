"""A real headless Chromium for the tests of the page."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import axe_playwright_python
from playwright.sync_api import Browser, BrowserContext, Page, sync_playwright

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or "chromium"
AXE = Path(axe_playwright_python.__file__).with_name("axe.min.js")
PHONE = {"width": 360, "height": 740}
OFFICE = {"width": 1280, "height": 860}
WALL = {"width": 1920, "height": 1080}
PATIENCE_MS = 15_000
PICTURES_VARIABLE = "QUIETCLAW_PICTURES"
"""Set to a folder, it is where the tests leave their screenshots."""


@contextmanager
def chromium() -> Iterator[Browser]:
    """Run the system's Chromium; what it would load from outside this machine fails."""
    arguments = ["--no-sandbox", "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1"]
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=arguments)
        try:
            yield browser
        finally:
            browser.close()


class Visit:
    """One visitor: a browser profile with one page, and what went wrong in it."""

    def __init__(self, browser: Browser, *, size: dict[str, int], scheme: str = "dark") -> None:
        self.context: BrowserContext = browser.new_context(
            viewport=size,  # type: ignore[arg-type]
            color_scheme=scheme,  # type: ignore[arg-type]
            timezone_id="UTC",
            locale="en-GB",
        )
        self.context.set_default_timeout(PATIENCE_MS)
        self.page: Page = self.context.new_page()
        self.requests: list[str] = []
        self.errors: list[str] = []
        self.page.on("request", lambda request: self.requests.append(request.url))
        self.page.on("pageerror", lambda error: self.errors.append(str(error)))
        self.page.on("console", lambda said: self.errors.append(said.text) if said.type == "error" else None)

    def violations(self) -> list[str]:
        """Return what axe-core finds against WCAG A, AA and good practice."""
        self.page.evaluate(AXE.read_text())
        result: dict[str, Any] = self.page.evaluate("axe.run(document)")
        return [
            f"{v['id']}: {node['html'][:120]} {node['failureSummary']}"
            for v in result["violations"]
            for node in v["nodes"]
        ]

    def wait(self, condition: str) -> None:
        """Wait until a script's condition holds; the page's own policy forbids the library's way."""
        look = f"""() => new Promise((done, fail) => {{
            const until = performance.now() + {PATIENCE_MS};
            const look = () => ({condition}) ? done(true)
                : performance.now() > until ? fail(new Error(document.body.innerText)) : setTimeout(look, 10);
            look();
        }})"""
        self.page.evaluate(look)

    def picture(self, name: str, folder: Path) -> Path:
        """Leave a screenshot where it is wanted, else in the test's own folder."""
        wanted = os.environ.get(PICTURES_VARIABLE)
        path = (Path(wanted) if wanted else folder) / f"{name}.png"
        self.page.screenshot(path=path)
        return path


@contextmanager
def visiting(
    browser: Browser,
    url: str,
    *,
    size: dict[str, int],
    scheme: str = "dark",
    before: Callable[[Visit], None] | None = None,
) -> Iterator[Visit]:
    """Open the page as one visitor, and close it."""
    visit = Visit(browser, size=size, scheme=scheme)
    try:
        if before is not None:
            before(visit)
        visit.page.goto(url)
        yield visit
    finally:
        visit.context.close()
