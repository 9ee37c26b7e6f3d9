"""Every page that has an address of its own: opens, fits a tablet, breaks no accessibility rule, console clean.

Accessibility rules: axe-core, an independent implementation of WCAG 2.2 checks.
"""

from __future__ import annotations

from typing import Any

import pytest
from django.test import Client
from django.urls import URLPattern, reverse
from playwright.sync_api import Page

from lims.accounts.models import Grant, User
from lims.accounts.roles import Role
from lims.web.urls import urlpatterns
from tests.browser.steps import serious_faults, sign_in
from tests.factories import person

pytestmark = pytest.mark.django_db(transaction=True)
HELD = (Role.CHEMIST, Role.OPERATOR, Role.RIG_KEEPER, Role.QUALITY, Role.MANAGER, Role.ADMINISTRATOR)
NOT_PAGES = {"sign-in", "sign-out", "look-figure", "look-files"}
# nouns whose pages must not fall out of the walk
NOUNS = {"lots", "runs", "account", "charts", "nonconformances", "certificates", "reports", "test-plans", "labels"}
NOUNS |= {"claims", "places", "suppliers", "second-factor", "equipment-list", "help", "first-hour", "keys", "map"}
METHOD_NOT_ALLOWED, TABLET = 405, 820
MEASURES = """() => {
  const page = document.documentElement;
  return [page.scrollWidth - page.clientWidth, document.querySelectorAll("h1").length];
}"""


@pytest.fixture
def everywhere(open_page) -> Page:
    """A browser of somebody who may see every page."""
    user = person(None, username="ida")
    for role in HELD:
        Grant(user=user, role=role, reason="test").save()
    page = open_page("/sign-in/?next=/look/bench/", color_scheme="dark")
    sign_in(page, "ida")
    return page


def test_every_page_opens_fits_and_breaks_no_rule(everywhere: Page, complaints: list[str], client: Client) -> None:
    client.force_login(User.objects.get(username="ida"))
    names = [name for name in _pages() if _is_page(client.get(reverse(name)))]
    assert NOUNS - set(names) == set()
    faults = {}
    for nth, name in enumerate(names):
        # colours come from one table of the style sheet: every other page in the dark finds what is wrong with it
        found = _faults(everywhere, reverse(name), complaints, scheme="dark" if nth % 2 else "light")
        faults |= {name: found} if found else {}
    assert faults == {}


def _is_page(answer: Any) -> bool:
    """Whether an address shows a page: it takes no forms alone, and gives no file."""
    return answer.status_code != METHOD_NOT_ALLOWED and answer.headers["Content-Type"].startswith("text/html")


def _pages() -> list[str]:
    """The names of all pages whose address needs nothing more."""
    plain = [p for p in urlpatterns if isinstance(p, URLPattern) and p.name and not p.pattern.converters]
    return sorted({str(p.name) for p in plain} - NOT_PAGES)


def _faults(page: Page, address: str, complaints: list[str], *, scheme: str) -> list[str]:
    """What is wrong with one page: the rules in one theme on a desk, the measures on a tablet."""
    page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
    page.set_viewport_size({"width": 1280, "height": 900})
    complaints.clear()
    answer = page.goto(address, wait_until="load")
    faults = [] if answer and answer.ok else [f"status {answer and answer.status}"]
    faults += [f"{scheme}: {fault}" for fault in serious_faults(page)]
    page.set_viewport_size({"width": TABLET, "height": 1100})
    wide, headings = page.evaluate(MEASURES)
    faults += [f"{wide} px too wide for a tablet"] if wide > 0 else []
    faults += [f"{headings} main headings"] if headings != 1 else []
    return faults + complaints
