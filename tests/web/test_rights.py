"""Every page names the right it needs, and lets in only those who hold it."""

from __future__ import annotations

import pytest
from django.urls import URLPattern

from lims.accounts.roles import RIGHTS, Role, Rule
from lims.web.urls import urlpatterns
from tests.factories import everybody

# open to everybody, also before signing in
PUBLIC = {"sign-in", "sign-out", "check", *(p.name for p in urlpatterns if str(p.pattern).startswith("look/"))}
PLAIN = [p for p in urlpatterns if p.name not in PUBLIC and "<" not in str(p.pattern)]


@pytest.mark.parametrize("pattern", urlpatterns, ids=lambda p: p.name)
def test_every_page_names_its_right(pattern: URLPattern) -> None:
    if pattern.name in PUBLIC:
        return
    right = getattr(pattern.callback, "right", None)
    assert right is not None, f"{pattern.name} has no @page"
    assert right == "" or right in RIGHTS


@pytest.mark.django_db
def test_nobody_sees_a_page_without_signing_in(client) -> None:
    for pattern in PLAIN:
        response = client.get(f"/{pattern.pattern}")
        assert response.status_code in (302, 405), pattern.name
        if response.status_code == 302:
            assert response.url.startswith("/sign-in/"), pattern.name


@pytest.mark.django_db
def test_each_role_and_an_outsider_see_just_the_pages_of_their_rights(client) -> None:
    for role, user in everybody().items():
        client.force_login(user)
        for pattern in PLAIN:
            right = pattern.callback.right
            allowed = right == "" or (role != "OUTSIDER" and RIGHTS[right][Role[role]] is not Rule.NO)
            status = _status(client, f"/{pattern.pattern}")
            assert (status != 403) is allowed, f"{pattern.name} for {role}: {status}"
            assert status < 500


def _status(client, address: str) -> int:
    """The answer to reading the page; to an empty form where it only takes forms."""
    status = client.get(address).status_code
    return client.post(address, {}).status_code if status == 405 else status
