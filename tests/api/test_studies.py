"""Studies over the interface: the objects that the command line prints."""

from __future__ import annotations

import pytest
from django.core.cache import cache
from rest_framework.test import APIClient

from lims.accounts.roles import Role
from lims.runs.selectors import studies
from tests.factories import person, somebody
from tests.runs.studied import a_series
from tests.runs.test_perform_reduction import sent_with_zero

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("file_store")]


@pytest.fixture(autouse=True)
def _empty_cache():
    cache.clear()


@pytest.fixture
def api():
    client = APIClient()
    client.force_authenticate(somebody(Role.AUDITOR))
    return client


def test_a_study_of_one_run_is_the_result_object(api) -> None:
    run, _ = sent_with_zero()
    answer = api.get(f"/api/runs/{run.code}/studies/press/")
    assert answer.status_code == 200, answer.content
    assert answer.json() == studies.study_run_for(somebody(Role.AUDITOR), run.code, "press").result
    assert answer.json()["figures"]["gap"]["unit"] == "um"


def test_a_study_of_several_runs_is_the_result_object(api) -> None:
    runs = a_series(40, 80, 160)
    answer = api.get("/api/studies/series/", {"run": [run.code for run in runs]})
    assert answer.status_code == 200, answer.content
    assert [row["name"] for row in answer.json()["results"]] == [run.code for run in runs]
    assert answer.json()["figures"]["conductivity"]["u"] > 0


def test_what_cannot_be_studied_is_a_problem_with_a_code(api) -> None:
    run, zero = sent_with_zero()
    for address, status, code in (
        ("/api/studies/series/", 422, "invalid"),
        ("/api/studies/series/?run=R-9999", 404, "not-found"),
        ("/api/studies/series/?run=R%00", 404, "not-found"),
        (f"/api/runs/{run.code}/studies/nonsense/", 404, "not-found"),
        (f"/api/runs/{zero.code}/studies/press/", 409, "no-layer"),
    ):
        answer = api.get(address)
        assert (answer.status_code, answer.json()["code"]) == (status, code), address
        assert answer.headers["Content-Type"] == "application/problem+json"


def test_every_role_reads_studies_by_its_right_and_an_outsider_none() -> None:
    run, _ = sent_with_zero()
    for user in (*(somebody(role) for role in Role), person(None)):
        client = APIClient()
        client.force_authenticate(user)
        allowed = user.may("laboratory.read")
        answer = client.get(f"/api/runs/{run.code}/studies/press/")
        assert answer.status_code == (200 if allowed else 403), user
