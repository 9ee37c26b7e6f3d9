"""Every page that has an address of its own: opens, fits a tablet, breaks no accessibility rule, console clean.

Accessibility rules: axe-core, an independent implementation of WCAG 2.2 checks.
"""

from __future__ import annotations

import pytest
from django.urls import URLPattern, reverse

from lims.accounts.models import Grant
from lims.accounts.roles import Role
from lims.web.urls import urlpatterns
from tests.browser.steps import serious_faults, sign_in
from tests.factories import person

pytestmark = pytest.mark.django_db(transaction=True)
HELD = (Role.CHEMIST, Role.OPERATOR, Role.RIG_KEEPER, Role.QUALITY, Role.MANAGER, Role.ADMINISTRATOR)
NOT_PAGES = {"sign-in", "sign-out", "look-figure", "look-files"}
METHOD_NOT_ALLOWED, TABLET = 405, 820


def _pages() -> list[str]:
    """The names of all pages whose address needs nothing more."""
    plain = [p for p in urlpatterns if isinstance(p, URLPattern) and p.name and not p.pattern.converters]
    return sorted({str(p.name) for p in plain} - NOT_PAGES)


@pytest.mark.parametrize("name", _pages())
def test_page_opens_and_breaks_no_rule(open_page, complaints: list[str], client, name: str) -> None:
    user = person(None, username="ida")
    for role in HELD:
        Grant(user=user, role=role, reason="test").save()
    client.force_login(user)
    if client.get(reverse(name)).status_code == METHOD_NOT_ALLOWED:
        pytest.skip("takes what is sent and shows nothing")
    page = open_page("/sign-in/?next=/look/bench/", color_scheme="dark")
    sign_in(page, "ida")
    answer = page.goto(reverse(name))
    assert answer is not None
    assert answer.ok, answer.status
    assert serious_faults(page) == []
    page.emulate_media(color_scheme="light")
    page.set_viewport_size({"width": TABLET, "height": 1100})
    assert serious_faults(page) == []
    assert page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth") <= 0
    assert page.locator("h1").count() == 1
    assert complaints == []
