"""The page of the validation: its cases with source and numbers, for readers only, and a difference that shows."""

from __future__ import annotations

import pytest

from analysis.materials import conductivity
from lims.accounts.roles import Role
from lims.core import validation
from tests.factories import person, somebody

pytestmark = pytest.mark.django_db


@pytest.fixture
def anew():
    """A page that computes again, and forgets what it computed."""
    validation.validation.cache_clear()
    yield
    validation.validation.cache_clear()


def test_the_page_shows_each_case_with_its_source_and_numbers(client) -> None:
    client.force_login(somebody(Role.MANAGER))
    page = client.get("/validation/").content.decode()
    assert "NIST Statistical Reference Datasets, certified values: Norris" in page
    assert "JCGM 100:2008, H.1, end gauge" in page
    assert "1.002116818" in page
    found = validation.validation()
    assert f"{found.agreeing} of {len(found.cases)}" in page
    assert "differs" not in page


def test_it_is_computed_once(client, monkeypatch) -> None:
    first = validation.validation()
    client.force_login(somebody(Role.MANAGER))
    client.get("/validation/")
    assert validation.validation() is first


def test_a_difference_shows(client, monkeypatch, anew) -> None:
    monkeypatch.setattr(conductivity, "bruggeman_symmetric", lambda *_, **__: 4.1)
    client.force_login(somebody(Role.QUALITY))
    page = client.get("/validation/").content.decode()
    assert page.count("differs") >= 3  # of the page, of the case in both places, of its number
    found = validation.validation()
    assert [case.key for case in found.cases if not case.agrees] == ["bruggeman"]


def test_an_outsider_is_refused(client) -> None:
    client.force_login(person(None))
    assert client.get("/validation/").status_code == 403
