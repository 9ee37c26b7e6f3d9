"""The pages of comparisons: choose a method, then samples; read the ranking with all that was left out."""

from __future__ import annotations

import re

import pytest

from lims.accounts.roles import Role
from lims.cases.services import place_hold
from lims.comparisons.models import Comparison
from tests.comparisons.results import measure, put_on
from tests.factories import make_application, make_method_version, make_rig, person, somebody

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("file_store")]


@pytest.fixture
def place():
    return {"rig": make_rig(), "version": make_method_version()}


@pytest.fixture
def chemist(client):
    user = somebody(Role.CHEMIST)
    client.force_login(user)
    return user


def pose(client, version, *samples, **more):
    content = {
        "title": "which is best",
        "samples": [sample.code for sample in samples],
        "figure": "temperature_rise",
        "confidence": "95",
    }
    return client.post(f"/comparisons/new/?method={version.code}", content | more)


def test_the_method_is_chosen_first_then_samples_with_their_applications(client, chemist, place) -> None:
    sample = put_on([9.0, 9.1], name="a", **place)
    assert place["version"].code in client.get("/comparisons/new/").content.decode()
    page = client.get("/comparisons/new/", {"method": place["version"].code}).content.decode()
    assert f"{sample.code} a: 2 measured of 2 applications" in page


def test_a_posed_question_shows_its_ranking(client, chemist, place) -> None:
    thick = put_on([14.1, 14.0, 13.9], name="thick layer", **place)
    thin = put_on([9.0, 9.1, 8.9], name="thin layer", **place)
    answer = pose(client, place["version"], thick, thin)
    assert answer.status_code == 302, answer.content.decode()
    page = client.get(answer.url).content.decode()
    rows = re.findall(r'<tr data-sample="([^"]+)" data-n="(\d+)" data-rank="(\d+)"', page)
    assert rows == [(thin.code, "3", "1"), (thick.code, "3", "2")]
    assert "6 of 6 runs used; 0 left out" in page
    assert "thin layer" in page
    assert "Smallest difference this plan sees" in page
    drawing = client.get(f"{answer.url}figure.json").json()
    assert drawing["data"]


def test_one_sample_is_refused_and_the_form_stays_filled(client, chemist, place) -> None:
    sample = put_on([9.0], name="a", **place)
    answer = pose(client, place["version"], sample, title="alone")
    assert answer.status_code == 422
    page = answer.content.decode()
    assert "at least two samples" in page
    assert 'value="alone"' in page
    assert not Comparison.objects.exists()


def test_what_is_left_out_stands_on_the_page_with_its_reason(client, chemist, place) -> None:
    a = put_on([9.0, 9.1, 8.9], name="a", **place)
    b = put_on([12.0, 12.1, 11.9], name="b", **place)
    run = measure(make_application(sample=b, **place), 7.0, pressure=300e3)
    page = client.get(pose(client, place["version"], a, b).url).content.decode()
    assert "6 of 7 runs used; 1 left out" in page
    assert f'<tr data-run="{run.code}">' in page
    assert "Pressure 300" in page


def test_nothing_is_ranked_where_nothing_matches(client, chemist, place) -> None:
    a = put_on([9.0, 9.1, 8.9], name="a", **place)
    b = put_on([7.0, 7.1, 6.9], name="b", pressure=300e3, **place)
    page = client.get(pose(client, place["version"], a, b).url).content.decode()
    assert "data-refusals" in page
    assert "data-rank=" not in page


def test_a_held_sample_is_included_with_a_reason_and_marked(client, chemist, place) -> None:
    a = put_on([9.0, 9.1, 8.9], name="a", **place)
    b = put_on([12.0, 12.1, 11.9], name="b", **place)
    address = pose(client, place["version"], a, b).url
    place_hold(b, actor=somebody(Role.QUALITY), reason="label in doubt")
    assert "is on hold: label in doubt" in client.get(address).content.decode()
    refused = client.post(f"{address}include/", {"sample": b.code, "reason": ""})
    assert refused.status_code == 422
    client.post(f"{address}include/", {"sample": b.code, "reason": "label checked twice"})
    page = client.get(address).content.decode()
    assert "label checked twice" in page
    assert f'data-sample="{b.code}"' in page


def test_a_change_on_top_of_somebody_else_s_is_refused(client, chemist, place) -> None:
    a = put_on([9.0, 9.1, 8.9], name="a", **place)
    b = put_on([12.0, 12.1, 11.9], name="b", **place)
    address = pose(client, place["version"], a, b).url
    comparison = Comparison.objects.get()
    content = {"samples": [a.code, b.code], "figure": "thermal_impedance", "confidence": "95"}
    first = client.post(f"{address}change/", content | {"title": "first", "version": comparison.version})
    assert first.status_code == 302, first.content.decode()
    second = client.post(f"{address}change/", content | {"title": "second", "version": comparison.version})
    assert second.status_code == 412
    assert 'value="second"' in second.content.decode()
    comparison.refresh_from_db()
    assert comparison.title == "first"


def test_the_map_shows_a_method_s_samples(client, chemist, place) -> None:
    put_on([9.0, 9.1, 8.9], name="a", **place)
    page = client.get("/map/").content.decode()
    address = f"/map/{place['version'].code}/figure.json"
    assert address in page
    assert client.get(address).json()["data"][0]["name"] == "samples"
    assert "data-layers" in page
    assert "µm" in page


def test_an_operator_reads_and_an_outsider_does_not(client, chemist, place) -> None:
    a = put_on([9.0, 9.1, 8.9], name="a", **place)
    b = put_on([12.0, 12.1, 11.9], name="b", **place)
    address = pose(client, place["version"], a, b).url
    client.force_login(somebody(Role.OPERATOR))
    assert client.get(address).status_code == 200
    client.force_login(person(None))
    for page in (address, f"{address}figure.json", "/map/", "/comparisons/"):
        assert client.get(page).status_code == 403


def test_what_it_would_take_to_draw_level_stands_in_one_sentence(client, chemist, place) -> None:
    thick = put_on([14.1, 14.0, 13.9], name="thick", **place)
    thin = put_on([7.1, 7.0, 6.9], name="thin", **place)
    address = pose(client, place["version"], thick, thin).url
    assert f"{address}takes/" in client.get(address).content.decode()
    page = client.get(f"{address}takes/").content.decode()  # the second against the first
    assert f"To draw level with {thin.code}, {thick.code} needs a conductivity of" in page
    assert "not known: runs at one thickness" in page
    chosen = {"sample": thick.code, "target": thin.code}
    assert client.get(f"{address}takes/figure.json", chosen).json()["data"]
    assert client.get(f"{address}takes/", {"sample": thick.code, "target": thick.code}).status_code == 409


def test_statistics_are_chosen_and_a_supposed_tolerance_is_named(client, chemist, place) -> None:
    a = put_on([9.0, 9.1, 8.9], name="a", **place)
    b = put_on([9.1, 9.2, 9.0], name="b", **place)
    measure(make_application(sample=b, **place), 9.1, pressure=300e3)
    address = pose(client, place["version"], a, b).url
    assert f"{address}statistics/" in client.get(address).content.decode()
    page = client.get(f"{address}statistics/", {"spread": "separate", "margin": "0.5"}).content.decode()
    assert "by choice" in page
    assert "data-same" in page
    assert "data-best" in page
    assert "data-supposed" not in page
    assert "6 of 7 runs used" in page
    wide = client.get(f"{address}statistics/", {"force_tolerance": "30"}).content.decode()
    assert "data-supposed" in wide
    assert "7 of 7 runs used" in wide
    assert "6 of 7 runs used" in client.get(address).content.decode()  # the answer itself stays the method's
    assert client.get(f"{address}statistics/", {"spread": "other"}).status_code == 422
