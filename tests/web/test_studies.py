"""The pages of studies: of one run, and of several chosen from a list."""

from __future__ import annotations

import json
import re

import pytest
from django.core.cache import cache

from lims.accounts.roles import Role
from tests.factories import person, somebody
from tests.runs.studied import a_series
from tests.runs.test_perform_reduction import sent_with_zero

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("file_store")]


@pytest.fixture(autouse=True)
def _reader(client):
    cache.clear()
    client.force_login(somebody(Role.AUDITOR))


def text(client, address: str, query: dict | None = None) -> str:
    answer = client.get(address, query or {})
    assert answer.status_code == 200, answer.content.decode()
    return answer.content.decode()


def test_a_run_leads_to_its_studies_and_each_shows_what_it_found(client) -> None:
    run, zero = sent_with_zero()
    links = re.findall(rf'href="(/runs/{run.code}/studies/\w+/)"', text(client, f"/runs/{run.code}/"))
    assert {link.split("/")[-2] for link in links} >= {"press", "thinning", "cycles"}
    assert f"/runs/{zero.code}/studies/" not in text(client, f"/runs/{zero.code}/")
    for link in links:
        page = text(client, link)
        assert run.current.inputs["run"] in page
        assert run.current.inputs["zero"] in page


def test_an_approach_is_shown_with_figures_models_and_a_plot(client) -> None:
    run, _ = sent_with_zero()
    page = text(client, f"/runs/{run.code}/studies/press/")
    for words in ("Gap at rest", "±", "Approach to the final gap", "Gap [µm]", "Criterion above best", "not stored"):
        assert words in page
    spec = json.loads(re.search(r'id="study-drawing" type="application/json">(.*?)</script>', page)[1])
    assert len(spec["data"]) == 2


def test_a_run_that_is_not_cycled_says_what_is_missing(client) -> None:
    run, _ = sent_with_zero()
    page = text(client, f"/runs/{run.code}/studies/cycles/")
    assert "No figure can be defended" in page
    assert "whole cycles" in page


def test_runs_are_chosen_by_sample_and_give_a_line(client) -> None:
    runs = a_series(40, 80, 160)
    other, _ = sent_with_zero(seed=9)
    sample = runs[0].application.sample.code
    assert f"/studies/series/?sample={sample}" in text(client, f"/samples/{sample}/")
    assert "/studies/ageing/" in text(client, "/runs/")
    chooser = text(client, "/studies/series/", {"sample": sample})
    assert all(f'value="{run.code}"' in chooser for run in runs)
    assert f'value="{other.code}"' not in chooser
    page = text(client, "/studies/series/", {"run": [run.code for run in runs]})
    for words in ("Conductivity", "Contact impedance", "Covariance", "Probability of lack of fit", "study-drawing"):
        assert words in page
    assert all(run.code in page for run in runs)


def test_too_few_runs_bring_the_choice_back_with_the_ticks(client) -> None:
    run, _ = sent_with_zero()
    answer = client.get("/studies/series/", {"run": run.code})
    assert answer.status_code == 422
    assert f'value="{run.code}" aria-label="Take {run.code}" checked' in answer.content.decode()
    assert "at least 3 are needed" in answer.content.decode()


def test_runs_without_spread_are_refused_in_words(client) -> None:
    runs = a_series(60, 60, 60)
    page = text(client, "/studies/series/", {"run": [run.code for run in runs]})
    assert "No figure can be defended" in page
    assert "Blocks" in page


def test_specimens_with_one_result_each_show_no_ageing(client) -> None:
    runs = a_series(60, 60, 60)
    page = text(client, "/studies/ageing/", {"run": [run.code for run in runs]})
    assert "specimens have a start and a later result" in page


def test_the_result_is_given_as_json(client) -> None:
    run, _ = sent_with_zero()
    answer = client.get(f"/runs/{run.code}/studies/press/", {"json": "1"})
    assert json.loads(answer.content)["method"]["name"] == "press"
    assert answer.headers["Content-Disposition"] == f'attachment; filename="{run.code}-press.json"'


def test_the_choice_asks_the_database_a_fixed_number_of_times(client, django_assert_max_num_queries) -> None:
    a_series(40, 80, 160)
    with django_assert_max_num_queries(8):
        client.get("/studies/series/")


def test_an_outsider_sees_no_study_and_an_unknown_one_is_told(client) -> None:
    run, _ = sent_with_zero()
    assert client.get(f"/runs/{run.code}/studies/nonsense/").status_code == 404
    client.force_login(person(None))
    assert client.get(f"/runs/{run.code}/studies/press/").status_code == 403
    assert client.get("/studies/series/", {"run": run.code}).status_code == 403
