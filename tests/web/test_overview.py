"""The overview: figures with their uncertainty and links, a bounded number of questions, costs for those who may."""

from __future__ import annotations

import re

import pytest
from django.core.cache import cache
from django.db import connection
from django.test.utils import CaptureQueriesContext

from lims.accounts.roles import Role
from tests.comparisons.results import measure, put_on
from tests.factories import make_application, make_method_version, make_rig, person, somebody

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("file_store")]


def test_the_overview_shows_the_best_that_matches_and_asks_no_more_with_more_samples(client) -> None:
    place = {"rig": make_rig(), "version": make_method_version()}
    best = put_on([9.0, 9.1, 8.9], name="best", **place)
    put_on([12.0, 12.1, 11.9], name="other", **place)
    unmatched = put_on([], name="unmatched", **place)
    measure(make_application(sample=unmatched, **place), 5.0, pressure=300e3)
    client.force_login(somebody(Role.MANAGER))
    page, few = asked(client)
    row = re.search(r"data-months.*?<tbody><tr>(.*?)</tr>", page, re.S)
    assert row is not None
    assert best.code in row[1]
    assert "±" in row[1]
    assert unmatched.code not in row[1]
    assert "shown to those who may read recipes" in page
    for n in range(3):
        put_on([13.0], name=f"more {n}", **place)
    _, many = asked(client)
    assert many <= few
    client.force_login(somebody(Role.CHEMIST))
    assert "shown to those who may read recipes" not in client.get("/overview/").content.decode()
    client.force_login(person(None))
    assert client.get("/overview/").status_code == 403


def asked(client) -> tuple[str, int]:
    cache.clear()
    client.get("/comparisons/")
    with CaptureQueriesContext(connection) as questions:
        page = client.get("/overview/").content.decode()
    return page, len(questions)
