"""Pages shown when something is wrong: what happened, and what to do next."""

from __future__ import annotations

import pytest
from django.test import Client, RequestFactory
from django.views import defaults

from lims.accounts.roles import Role
from tests.factories import PASSWORD, person


@pytest.mark.django_db
def test_an_address_with_nothing_behind_it_says_what_a_code_looks_like(client) -> None:
    client.force_login(person(Role.CHEMIST, username="ida"))
    answer = client.get("/no/such/page/")
    assert answer.status_code == 404
    page = answer.content.decode()
    assert "What next:" in page
    assert "LOT-0042" in page


@pytest.mark.parametrize(("view", "status"), [(defaults.bad_request, 400), (defaults.permission_denied, 403)])
def test_a_bad_or_forbidden_request_gets_a_page_with_a_next_step(view, status: int) -> None:
    answer = view(RequestFactory().get("/x/"), exception=Exception("secret detail"))
    assert answer.status_code == status
    page = answer.content.decode()
    assert "What next:" in page
    assert "secret detail" not in page
    assert "data-failed" in page


def test_a_fault_of_ours_gets_a_page_that_needs_no_database_and_tells_no_detail() -> None:
    answer = defaults.server_error(RequestFactory().get("/x/"))
    assert answer.status_code == 500
    assert "nothing is half saved" in answer.content.decode()


@pytest.mark.django_db
def test_a_form_without_its_token_is_refused_in_our_words() -> None:
    answer = Client(enforce_csrf_checks=True).post("/sign-in/", {"username": "ida", "password": "x"})
    assert answer.status_code == 403
    assert "This form was open too long" in answer.content.decode()


@pytest.mark.django_db
def test_wrong_passwords_rest_the_sign_in_and_the_page_says_for_how_long(client, settings) -> None:
    person(Role.CHEMIST, username="ida")
    for _ in range(settings.AXES_FAILURE_LIMIT):
        answer = client.post("/sign-in/", {"username": "ida", "password": "wrong"})
    assert answer.status_code == 429
    assert "15 minutes" in answer.content.decode()
    assert client.post("/sign-in/", {"username": "ida", "password": PASSWORD}).status_code == 429


@pytest.mark.django_db
def test_a_wrong_password_leaves_the_name_filled_and_does_not_say_which_of_the_two_is_wrong(client) -> None:
    person(Role.CHEMIST, username="ida")
    known = client.post("/sign-in/", {"username": "ida", "password": "wrong"}).content.decode()
    unknown = client.post("/sign-in/", {"username": "nobody", "password": "wrong"}).content.decode()
    assert 'value="ida"' in known
    assert known.count("Not signed in") == unknown.count("Not signed in") == 1
