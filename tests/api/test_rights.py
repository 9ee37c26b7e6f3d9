"""Every route of the interface names a right for each method, and lets in only those who hold it."""

from __future__ import annotations

import pytest
from django.urls import URLPattern
from rest_framework.test import APIClient

from lims.accounts.roles import RIGHTS, Role, Rule
from lims.api.base import HANDLERS
from lims.api.urls import urlpatterns
from tests.factories import everybody

ROUTES = [p for p in urlpatterns if p.name != "api-openapi"]


@pytest.mark.parametrize("pattern", ROUTES, ids=lambda p: p.name)
def test_every_method_of_every_route_names_its_right(pattern: URLPattern) -> None:
    view = pattern.callback.view_class
    for handler in HANDLERS:
        if hasattr(view, handler):
            assert view.rights[handler.upper()] in RIGHTS


@pytest.mark.django_db
def test_nobody_is_answered_without_signing_in() -> None:
    for pattern in ROUTES:
        if "<" not in str(pattern.pattern):
            answer = APIClient().get(f"/api/{pattern.pattern}")
            assert answer.status_code in (401, 405), pattern.name
            assert answer.headers["Content-Type"] == "application/problem+json"


@pytest.mark.django_db
def test_each_role_and_an_outsider_are_answered_just_by_their_rights() -> None:
    for role, user in everybody().items():
        client = APIClient()
        client.force_authenticate(user)
        for pattern in ROUTES:
            _check(client, role, pattern)


def _check(client: APIClient, role: str, pattern: URLPattern) -> None:
    address = f"/api/{pattern.pattern}"
    for method, right in pattern.callback.view_class.rights.items():
        if "<" in address:
            continue
        allowed = role != "OUTSIDER" and RIGHTS[right][Role[role]] is not Rule.NO
        answer = getattr(client, method.lower())(address, {}, format="json")
        assert (answer.status_code != 403) is allowed, f"{method} {address} for {role}: {answer.status_code}"
        assert answer.status_code < 500, f"{method} {address} for {role}: {answer.content!r}"
