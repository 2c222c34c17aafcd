"""A real browser for the tests of pages: Debian's Chromium, driven by Playwright.

The fixture ``watched`` gives a page and keeps what the page says and asks for. When the test ends
it fails if the console complained, a script failed, a dialog opened, or anything was asked of any
place but files, data in the page itself and addresses that the test allowed. Without Chromium the
tests skip; where LEAFLEDGER_NEEDS_BROWSER is 1, as on the build server, that is a failure.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, BrowserContext, Page, expect, sync_playwright

DESKTOP = (1280, 900)
PHONE = (390, 844)
SIZES = pytest.mark.parametrize("size", [DESKTOP, PHONE], ids=["desktop", "phone"])
"""Runs a test at both sizes; it takes an argument ``size``."""

_FLAGS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-dev-shm-usage",
    # No name is ever looked up, whatever the browser itself would like to ask.
    "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1",
)
_PATIENCE_MS = 60_000
_OWN = ("file:", "data:", "blob:", "about:")
_GRAVE = ("serious", "critical")

# A machine that is busy with other tests must not make one fail.
expect.set_options(timeout=_PATIENCE_MS)


class Watched:
    """A page, and what it said and asked for since it was opened.

    Attributes
    ----------
    page
        The page, with Playwright's own interface.
    console
        Errors and warnings of the console.
    thrown
        Errors of scripts that nothing caught.
    dialogs
        Words of dialogs; each was dismissed.
    requests
        Every address asked for, of this page and of any that it opened.
    """

    def __init__(self, context: BrowserContext) -> None:
        self.console: list[str] = []
        self.thrown: list[str] = []
        self.dialogs: list[str] = []
        self.requests: list[str] = []
        self._allowed: list[str] = []
        context.set_default_timeout(_PATIENCE_MS)
        context.on("console", self._heard)
        context.on("weberror", lambda error: self.thrown.append(str(error.error)))
        context.on("request", lambda request: self.requests.append(request.url))
        context.on("dialog", self._asked)
        self.page: Page = context.new_page()

    def _heard(self, message: Any) -> None:
        if message.type in {"error", "warning"}:
            self.console.append(f"{message.type}: {message.text}")

    def _asked(self, dialog: Any) -> None:
        self.dialogs.append(f"{dialog.type}: {dialog.message}")
        dialog.dismiss()

    def allow(self, address: str) -> None:
        """Let the page ask an address of this machine, and whatever lies below it."""
        assert address.startswith("http://127.0.0.1:"), address
        self._allowed.append(address)

    def open_file(self, path: Path) -> Page:
        """Open a file from the disk and return the page."""
        self.page.goto(path.resolve().as_uri(), wait_until="load")
        return self.page

    def size(self, size: tuple[int, int]) -> None:
        """Set the size of the window in CSS pixels."""
        self.page.set_viewport_size({"width": size[0], "height": size[1]})

    def as_print(self) -> None:
        """Show the page as it is printed."""
        self.page.emulate_media(media="print")

    def as_screen(self) -> None:
        """Show the page as on a screen again."""
        self.page.emulate_media(media="screen")

    def outside(self) -> list[str]:
        """Return what was asked of any place that is neither the page's own nor allowed."""
        own = (*_OWN, *self._allowed)
        return [url for url in self.requests if not url.startswith(own)]

    def troubles(self) -> list[str]:
        """Return what went wrong so far; empty if nothing did."""
        asked = [f"asked for {url}" for url in self.outside()]
        return [*self.console, *self.thrown, *self.dialogs, *asked]

    def forget(self) -> list[str]:
        """Return what went wrong so far and forget it: for a test that provokes it on purpose."""
        found, outside = self.troubles(), set(self.outside())
        self.requests = [url for url in self.requests if url not in outside]
        self.console, self.thrown, self.dialogs = [], [], []
        return found

    def barriers(self, least: tuple[str, ...] = _GRAVE) -> list[str]:
        """Return what axe-core finds that keeps people out, of a grave impact unless told else."""
        found = Axe().run(self.page).response["violations"]
        return [
            f"{one['id']} ({one['impact']}): {node['target']} {node.get('failureSummary', '')}"
            for one in found
            if one["impact"] in least
            for node in one["nodes"]
        ]

    def fits(self) -> bool:
        """Tell whether the page is no wider than the window."""
        return bool(self.page.evaluate("document.documentElement.scrollWidth <= innerWidth"))


def program() -> str:
    """Return the path of Chromium; skip the test if there is none, or fail on the build server."""
    found = shutil.which("chromium") or shutil.which("chromium-browser")
    if found:
        return found
    words = "needs the program chromium (Debian: apt-get install chromium)"
    if os.environ.get("LEAFLEDGER_NEEDS_BROWSER") == "1":
        pytest.fail(words)
    pytest.skip(words)


# For one module, not for the session: while it runs, nothing else in the process may use asyncio.
@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    """Return a headless browser without any page."""
    path = program()
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=path, args=list(_FLAGS))
        yield browser
        browser.close()


@pytest.fixture
def watched(chromium: Browser) -> Iterator[Watched]:
    """Return a fresh page at desktop size; what went wrong in it fails the test at its end."""
    width, height = DESKTOP
    # A page that still glides to its place can move away between the two halves of a click.
    context = chromium.new_context(
        viewport={"width": width, "height": height}, reduced_motion="reduce"
    )
    one = Watched(context)
    yield one
    troubles = one.troubles()
    context.close()
    assert not troubles, troubles
