"""What people do, and what is looked at, in every browser test."""

from __future__ import annotations

import re

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page

from tests.factories import PASSWORD


def sign_in(page: Page, username: str, password: str = PASSWORD) -> None:
    """Sign in on the page that is open, as a person does."""
    page.locator("input[name=username]").fill(username)
    page.locator("input[name=password]").fill(password)
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_url(lambda address: "/sign-in/" not in address)


def act(page: Page, label: str, **fields: str) -> None:
    """Do an act of a record's page: open its form, fill it in, send it."""
    form = page.locator("details.act").filter(has=page.locator("summary", has_text=re.compile(f"^{label}$")))
    form.locator("summary").click()
    for name, text in fields.items():
        form.locator(f"[name={name}]").fill(text)
    form.get_by_role("button", name=label, exact=True).click()


def serious_faults(page: Page) -> list[str]:
    """The serious and critical faults that the rules find, with the places."""
    found = Axe().run(
        page,
        options={
            "runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"],
            "resultTypes": ["violations"],  # what passes is not told: telling takes longer than looking
        },
    )
    return [
        f"{fault['id']}: {[node['html'][:150] for node in fault['nodes'][:3]]}"
        for fault in found.response["violations"]
        if fault["impact"] in ("serious", "critical")
    ]
