"""A real browser on a running laboratory. `LIMS_REQUIRE_BROWSER=1` makes a missing Chromium a failure."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from playwright.sync_api import Browser, ConsoleMessage, Page, sync_playwright

NAMES = ("chromium", "chromium-browser", "google-chrome")
ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
]
# playwright's own loop runs in this thread; Django takes it for an asynchronous caller
os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = "true"


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Everything in this folder needs Chromium."""
    for item in items:
        if "/browser/" in str(item.path):
            item.add_marker(pytest.mark.browser)


@pytest.fixture(scope="package")
def browser() -> Iterator[Browser]:
    """A headless Chromium of the system, gone before other tests start loops of their own."""
    found = next(filter(None, map(shutil.which, NAMES)), None)
    if found is None:
        if os.environ.get("LIMS_REQUIRE_BROWSER"):
            pytest.fail("Chromium is demanded (LIMS_REQUIRE_BROWSER) and is not installed.")
        pytest.skip("Chromium is not installed")
    with sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=found, args=ARGUMENTS)
        yield running
        running.close()


@pytest.fixture
def complaints() -> list[str]:
    """What the browser's console complained about; a test ends by finding it empty."""
    return []


@pytest.fixture
def open_page(browser: Browser, live_server: Any, complaints: list[str]) -> Iterator[Callable[..., Page]]:
    """Open a page of the laboratory: `open_page("/lots/", color_scheme="dark", width=820)`."""
    contexts = []

    def note(message: ConsoleMessage) -> None:
        if message.type in ("error", "warning"):
            complaints.append(f"{message.text} ({message.location.get('url')})")

    def opened(path: str, *, width: int = 1280, height: int = 900, **options: Any) -> Page:
        context = browser.new_context(
            base_url=live_server.url, viewport={"width": width, "height": height}, locale="en-GB", **options
        )
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(10_000)
        page.on("console", note)
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.goto(path)
        return page

    yield opened
    for context in contexts:
        context.close()
