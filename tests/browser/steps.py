"""What people do in every browser test."""

from __future__ import annotations

from playwright.sync_api import Page

from tests.factories import PASSWORD


def sign_in(page: Page, username: str, password: str = PASSWORD) -> None:
    """Sign in on the page that is open, as a person does."""
    page.locator("input[name=username]").fill(username)
    page.locator("input[name=password]").fill(password)
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_url(lambda address: "/sign-in/" not in address)
