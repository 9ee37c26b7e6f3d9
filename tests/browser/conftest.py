"""A real browser on a running laboratory. `LIMS_REQUIRE_BROWSER=1` makes a missing Chromium a failure."""

from __future__ import annotations

import os
import shutil
import signal
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.error import URLError
from urllib.request import urlopen

import pytest
from playwright.sync_api import Browser, ConsoleMessage, Page, sync_playwright

from lims.local.laboratory import listening_socket
from lims.local.processes import start_process, stop_process, wait_until
from tests.conftest import ROOT, child_environment

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
    with pages_at(live_server.url, browser=browser, complaints=complaints) as opened:
        yield opened


@pytest.fixture
def open_served(browser: Browser, web_server: str, complaints: list[str]) -> Iterator[Callable[..., Page]]:
    """Open a page of a laboratory whose pages are served by processes of their own."""
    with pages_at(web_server, browser=browser, complaints=complaints) as opened:
        yield opened


@contextmanager
def pages_at(address: str, *, browser: Browser, complaints: list[str]) -> Iterator[Callable[..., Page]]:
    """What opens pages at an address, each in a browser window of its own; closes them all at the end."""
    contexts = []

    def note(message: ConsoleMessage) -> None:
        if message.type in ("error", "warning"):
            complaints.append(f"{message.text} ({message.location.get('url')})")

    def opened(path: str, *, width: int = 1280, height: int = 900, **options: Any) -> Page:
        # without motion: a colour half way from light to dark is no fault of a page
        options = {"reduced_motion": "reduce", "locale": "en-GB", **options}
        context = browser.new_context(base_url=address, viewport={"width": width, "height": height}, **options)
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


@pytest.fixture
def web_server(committed_db: None, queue: str, tmp_path: Path) -> Iterator[str]:
    """The pages served as in a laboratory: by processes of their own, as the role that does not own the tables."""
    listener = listening_socket(host="127.0.0.1", port=0)
    address, descriptor = f"http://127.0.0.1:{listener.getsockname()[1]}", listener.fileno()
    command = [sys.executable, "-m", "gunicorn", "lims.wsgi", "--bind", f"fd://{descriptor}"]
    command += ["--worker-class", "gthread", "--threads", "4", "--no-control-socket"]
    log = tmp_path / "web.log"
    with log.open("wb") as output:
        options = {"cwd": ROOT, "pass_fds": (descriptor,)}
        process = start_process(command, environment=child_environment(), output=output, options=options)
    try:
        assert wait_until(lambda: _answers(address), seconds=60), log.read_text()
        yield address
    finally:
        stop_process(process, gently=signal.SIGTERM, seconds=10)
        listener.close()


def _answers(address: str) -> bool:
    try:
        with urlopen(f"{address}/sign-in/", timeout=5) as answer:
            return bool(answer.status == 200)
    except (URLError, OSError):
        return False
