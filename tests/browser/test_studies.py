"""Studies in a real browser: from a run to its approach, from a sample to a line through several runs."""

from __future__ import annotations

import os
from typing import Any

import pytest
from django.core.cache import cache
from playwright.sync_api import Page, expect

from lims.accounts.roles import Role
from tests.browser.steps import serious_faults, sign_in
from tests.factories import somebody
from tests.runs.studied import a_series

SHOTS = os.environ.get("LIMS_SHOTS")  # a folder to keep pictures of the pages in
pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.usefixtures("file_store")]


def looked_at(page: Page, name: str) -> None:
    """The plot is drawn, nothing is wider than the page, and the rules find no serious fault."""
    expect(page.locator(".plot .main-svg").first).to_be_visible()
    if SHOTS:
        page.screenshot(path=f"{SHOTS}/{name}.png", full_page=True)
    wide = page.evaluate(
        """() => [...document.querySelectorAll('main *')]
        .filter(e => e.getBoundingClientRect().right > window.innerWidth && !e.closest('.table-wrap'))
        .map(e => e.outerHTML.slice(0, 120))"""
    )
    assert wide == []
    assert serious_faults(page) == []


@pytest.mark.parametrize(("width", "scheme"), [(1280, "light"), (820, "dark")])
def test_a_person_studies_a_run_and_then_several(
    open_page: Any, complaints: list[str], width: int, scheme: str
) -> None:
    cache.clear()
    runs, reader = a_series(40, 80, 160), somebody(Role.AUDITOR)
    page = open_page(f"/sign-in/?next=/runs/{runs[0].code}/", width=width, color_scheme=scheme)
    sign_in(page, reader.username)
    page.get_by_role("link", name="Press", exact=True).click()
    expect(page.get_by_text("Gap at rest").first).to_be_visible()
    looked_at(page, f"press-{width}-{scheme}")
    page.goto(f"/samples/{runs[0].application.sample.code}/")
    page.get_by_role("link", name="Thickness series").click()
    for run in runs:
        page.get_by_label(f"Take {run.code}").check()
    if SHOTS:
        page.screenshot(path=f"{SHOTS}/choose-{width}-{scheme}.png", full_page=True)
    assert serious_faults(page) == []
    page.get_by_role("button", name="Compute").click()
    expect(page.locator("[data-figure=conductivity]")).to_contain_text("±")
    looked_at(page, f"series-{width}-{scheme}")
    assert complaints == []
