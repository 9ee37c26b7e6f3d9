"""`python -m tests.browser.pictures`: take the pictures of README.md from the demonstration laboratory.

It starts the laboratory of `LIMS_VAR` (built first where there is none), looks at it as the manager, and stops it.
"""

from __future__ import annotations

import os
import re
import shutil
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from playwright.sync_api import Page, sync_playwright

from lims.local.__main__ import ROOT, say, stop_on_signals, var_folder
from lims.local.check import manager_sign_in
from lims.local.laboratory import Laboratory

# not those of conftest: importing it would start the tests' own database
NAMES, ARGUMENTS = ("chromium", "chromium-browser", "google-chrome"), ["--no-sandbox", "--disable-gpu"]
FOLDER = ROOT / "docs" / "pictures"
WIDTH, MOST_BYTES = 1280, 200_000
RECORD = {"comparisons": re.compile(r"/comparisons/C-[^/]+/$"), "runs": re.compile(r"/runs/R-[^/]+/$")}


def main() -> int:
    """Take every picture; the exit code tells whether each was taken and is small enough."""
    stop_on_signals()
    laboratory = Laboratory(ROOT, var_folder(), say)
    try:
        laboratory.start()
        laboratory.build_demo()
        laboratory.wait_until_ready()
        with a_page(laboratory.address) as page:
            sign_in(page, *manager_sign_in(laboratory.sign_ins()))
            pictures = [ranking(page), a_map(page), a_run(page)]
    finally:
        laboratory.stop()
    for path in pictures:
        say(f"{path.relative_to(ROOT)}  {path.stat().st_size // 1000} kB")
    return int(any(path.stat().st_size > MOST_BYTES for path in pictures))


@contextmanager
def a_page(address: str) -> Iterator[Page]:
    """A page in the light, without motion."""
    found = os.environ.get("CHROMIUM") or next(filter(None, map(shutil.which, NAMES)), None)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=found, args=ARGUMENTS)
        options = {"viewport": {"width": WIDTH, "height": 900}, "color_scheme": "light", "reduced_motion": "reduce"}
        yield browser.new_context(base_url=address, locale="en-GB", **options).new_page()  # type: ignore[arg-type]
        browser.close()


def sign_in(page: Page, user: str, password: str) -> None:
    """Sign in by the form."""
    page.goto("/sign-in/")
    page.locator("input[name=username]").fill(user)
    page.locator("input[name=password]").fill(password)
    page.locator("main button[type=submit]").click()
    page.wait_for_url(lambda address: "/sign-in/" not in address)


def ranking(page: Page) -> Path:
    """The comparison that ranks most samples."""
    ranked = {}
    for address in addresses(page, "comparisons"):
        page.goto(address)
        ranked[address] = page.locator("[data-ranking] [data-rank]").count()
    page.goto(max(ranked, key=lambda address: ranked[address]))
    return taken(page, "ranking", at="#ranking-head")


def a_map(page: Page) -> Path:
    """The map of gap and conductivity."""
    page.goto("/map/")
    return taken(page, "map")


def a_run(page: Page) -> Path:
    """The newest run with figures."""
    for address in addresses(page, "runs"):
        page.goto(address)
        if page.locator("[data-figure=thermal_impedance]").count():
            return taken(page, "run", at="#figures-head")
    raise LookupError("no run of the demonstration laboratory has figures")


def addresses(page: Page, noun: str) -> list[str]:
    """The addresses of the records on a list, in its order."""
    page.goto(f"/{noun}/")
    links = page.locator("main a").evaluate_all("links => links.map(link => link.pathname)")
    return list(dict.fromkeys(link for link in links if RECORD[noun].search(link)))


def taken(page: Page, name: str, *, at: str = "main") -> Path:
    """A picture of what the window shows once `at` stands at its top and the plots are drawn."""
    if page.locator("[data-plot]").count():
        page.locator(".plot .main-svg").first.wait_for()
    page.locator(at).first.evaluate("element => element.scrollIntoView()")
    page.wait_for_load_state("networkidle")
    FOLDER.mkdir(parents=True, exist_ok=True)
    path = FOLDER / f"{name}.png"
    page.screenshot(path=path)
    return path


if __name__ == "__main__":
    sys.exit(main())
