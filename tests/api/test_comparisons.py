"""The programming interface of comparisons."""

from __future__ import annotations

import pytest
from knox.models import AuthToken

from lims.accounts.roles import Role
from tests.comparisons.results import put_on
from tests.factories import make_method_version, make_rig, somebody

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("file_store")]


@pytest.fixture
def place():
    return {"rig": make_rig(), "version": make_method_version()}


@pytest.fixture
def ask(client):
    _, token = AuthToken.objects.create(user=somebody(Role.CHEMIST))
    headers = {"Authorization": f"Token {token}"}

    def send(method: str, address: str, content: dict | None = None):
        call = getattr(client, method)
        return call(f"/api/comparisons/{address}", content, headers=headers, content_type="application/json")

    return send


def test_a_question_is_posed_and_answered(ask, place) -> None:
    thick = put_on([14.1, 14.0, 13.9], name="thick", **place)
    thin = put_on([9.0, 9.1, 8.9], name="thin", **place)
    content = {"title": "which", "method": place["version"].code, "samples": [thick.code, thin.code]}
    made = ask("post", "", content)
    assert made.status_code == 201, made.content
    answer = ask("get", f"{made.json()['code']}/ranking/").json()
    assert [(item["rank"], item["sample"]) for item in answer["ranking"]] == [(1, thin.code), (2, thick.code)]
    assert answer["refusals"] == []
    assert answer["title"] == "6 of 6 runs used; 0 left out"
    assert all(item["interval"] for item in answer["ranking"])


def test_where_nothing_matches_there_is_no_rank_only_refusals(ask, place) -> None:
    """CMP-01: the answer has no `rank`, only `refusals[]` that name the key and both values."""
    a = put_on([9.0, 9.1, 8.9], name="a", **place)
    b = put_on([7.0, 7.1, 6.9], name="b", pressure=300e3, **place)
    code = ask("post", "", {"title": "x", "method": place["version"].code, "samples": [a.code, b.code]}).json()["code"]
    answer = ask("get", f"{code}/ranking/").json()
    assert not any("rank" in item for item in answer["ranking"] + answer["provisional"])
    assert answer["refusals"] == ["not ranked: pressure 250 vs 300 kPa, tolerance 2 %"]
    assert len(answer["left_out"]) == 3


def test_a_change_based_on_an_old_version_is_refused(ask, place) -> None:
    a = put_on([9.0], name="a", **place)
    b = put_on([7.0], name="b", **place)
    content = {"title": "x", "method": place["version"].code, "samples": [a.code, b.code]}
    made = ask("post", "", content).json()
    changed = ask("put", f"{made['code']}/", content | {"title": "y", "version": made["version"]})
    assert changed.status_code == 200, changed.content
    stale = ask("put", f"{made['code']}/", content | {"title": "z", "version": made["version"]})
    assert (stale.status_code, stale.json()["code"]) == (412, "stale")


def test_fewer_than_two_samples_are_refused(ask, place) -> None:
    a = put_on([9.0], name="a", **place)
    answer = ask("post", "", {"title": "x", "method": place["version"].code, "samples": [a.code]})
    assert (answer.status_code, answer.json()["code"]) == (422, "bad-question")
    assert "samples" in answer.json()["fields"]


def test_an_unknown_sample_is_not_found(ask, place) -> None:
    answer = ask("post", "", {"title": "x", "method": place["version"].code, "samples": ["S-9999", "S-9998"]})
    assert answer.status_code == 404


def test_a_sample_is_included_with_a_reason(ask, place) -> None:
    a = put_on([9.0], name="a", **place)
    b = put_on([7.0], name="b", **place)
    content = {"title": "x", "method": place["version"].code, "samples": [a.code, b.code]}
    code = ask("post", "", content).json()["code"]
    made = ask("post", f"{code}/inclusions/", {"sample": b.code, "reason": "checked"})
    assert (made.status_code, made.json()["sample"]) == (201, b.code)
    assert ask("post", f"{code}/inclusions/", {"sample": b.code, "reason": "checked"}).status_code == 409


def test_what_it_would_take_is_told_with_intervals(ask, place) -> None:
    """Half the impedance at one gap takes twice the conductivity, or half the gap."""
    thick = put_on([14.1, 14.0, 13.9], name="thick", **place)
    thin = put_on([7.1, 7.0, 6.9], name="thin", **place)
    content = {"title": "x", "method": place["version"].code, "samples": [thick.code, thin.code]}
    code = ask("post", "", content).json()["code"]
    told = ask("get", f"{code}/takes/?sample={thick.code}&target={thin.code}").json()
    assert told["needed_gap"]["value"] == pytest.approx(told["gap"]["value"] / 2)
    assert told["needed_conductivity"]["value"] == pytest.approx(2 * told["conductivity"]["value"])
    assert told["needed_gap"]["low"] < told["needed_gap"]["value"] < told["needed_gap"]["high"]
    assert told["contact_share"] is None
    assert ask("get", f"{code}/takes/?sample={thick.code}&target=S-9999").status_code == 404


def test_further_statistics_are_given_and_a_bad_margin_is_refused(ask, place) -> None:
    a = put_on([9.0, 9.1, 8.9], name="a", **place)
    b = put_on([14.1, 14.0, 13.9], name="b", **place)
    content = {"title": "x", "method": place["version"].code, "samples": [a.code, b.code]}
    code = ask("post", "", content).json()["code"]
    told = ask("get", f"{code}/statistics/?margin=0.5&spread=pooled").json()["further"]
    assert told["best"]["samples"][0] == {"sample": a.code, "probability": 1.0, "u": 0.0}
    assert told["equivalence"]["pairs"][0]["same"] is False
    assert ask("get", f"{code}/statistics/?margin=-1").status_code == 422
    assert ask("get", f"{code}/statistics/?spread=other").status_code in (400, 422)
