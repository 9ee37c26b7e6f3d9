"""Specifications, verdicts, decisions and nonconformances by API."""

from __future__ import annotations

import io
from typing import Any

import pytest
from django.utils import timezone
from rest_framework.test import APIClient

from lims.accounts.roles import Role
from lims.cases.models import Nonconformance
from lims.files.services import store_file
from tests.factories import PASSWORD, make_lot, make_material, person, somebody

pytestmark = pytest.mark.django_db


def signed_in(who) -> APIClient:
    client = APIClient()
    client.force_authenticate(somebody(who) if isinstance(who, Role) else who)
    return client


def specified(subject: str) -> str:
    content = {"name": "limits", "subject": subject, "limits": [{"quantity": "d50", "unit": "um", "upper": 6.0}]}
    made = signed_in(Role.CHEMIST).post("/api/specifications/", content, format="json")
    assert made.status_code == 201
    assert made.data["limits"][0]["upper"] == pytest.approx(6e-6)
    code = made.data["code"]
    approved = signed_in(Role.QUALITY).post(
        f"/api/specifications/{code}/approve/", {"password": PASSWORD}, format="json"
    )
    assert approved.data["state"] == "effective"
    return str(code)


def test_a_lot_is_judged_and_released_by_api() -> None:
    lot, quality, operator = make_lot(), signed_in(Role.QUALITY), signed_in(Role.OPERATOR)
    specified(lot.material.code)
    quality.post(f"/api/lots/{lot.code}/start-test/")
    release = {"password": PASSWORD}
    early = quality.post(f"/api/lots/{lot.code}/release/", release, format="json")
    assert (early.status_code, early.data["code"]) == (409, "verdict-missing")
    assert early.data["missing"]
    sent = {"quantity": "d50", "value": 5.0, "unit": "um", "u": 0.1}
    operator.post(f"/api/lots/{lot.code}/results/", sent, format="json")
    (judgement,) = quality.get(f"/api/lots/{lot.code}/standing/").data["judgements"]
    assert judgement["outcome"] == "pass"
    assert quality.post(f"/api/lots/{lot.code}/release/", release, format="json").data["state"] == "released"


@pytest.mark.usefixtures("file_store")
def test_a_failed_result_opens_a_case_that_is_closed_with_cause_and_action() -> None:
    lot, quality, operator = make_lot(), signed_in(Role.QUALITY), signed_in(Role.OPERATOR)
    specified(lot.material.code)
    quality.post(f"/api/lots/{lot.code}/start-test/")
    sent = {"quantity": "d50", "value": 7.0, "unit": "um", "u": 0.1}
    assert operator.post(f"/api/lots/{lot.code}/results/", sent, format="json").data["held"]
    case = Nonconformance.objects.get()
    refused = quality.post(f"/api/lots/{lot.code}/release/", {"password": PASSWORD, "reason": "x"}, format="json")
    assert (refused.status_code, refused.data["code"]) == (409, "on-hold")
    listed = operator.get("/api/nonconformances/?state=open").data["results"]
    assert [row["code"] for row in listed] == [case.code]
    manager = signed_in(Role.MANAGER)

    def send(who: APIClient, act: str, **sent: Any) -> Any:
        return who.post(f"/api/nonconformances/{case.code}/{act}/", sent, format="json")

    assert send(quality, "close", effectiveness="x", password=PASSWORD).data["code"] == "wrong-state"
    assert send(quality, "start").data["state"] == "phase_1"
    photograph = store_file(io.BytesIO(b"a torn sieve"), name="sieve.jpg")
    sent = {"cause_kind": "material", "cause": "torn sieve", "evidence": photograph.sha256, "password": PASSWORD}
    sent |= {"second": somebody(Role.MANAGER).username, "second_password": PASSWORD}
    assert send(quality, "find-cause", **sent).data["state"] == "disposition"
    owner, today = somebody(Role.MANAGER).username, timezone.localdate().isoformat()
    decided = {"disposition": "reject", "impact": "none", "owner": owner, "due_on": today, "password": PASSWORD}
    assert send(quality, "decide", **decided).data["owner"] == owner
    assert send(manager, "finish", action="returned", check_on=today).data["state"] == "effectiveness"
    closed = send(quality, "close", effectiveness="did not come back", password=PASSWORD)
    assert closed.data["state"] == "closed"
    assert not operator.get(f"/api/lots/{lot.code}/").data["held"]
    rejected = quality.post(f"/api/lots/{lot.code}/reject/", {"password": PASSWORD, "reason": "coarse"}, format="json")
    assert rejected.data["state"] == "rejected"


def test_a_specification_is_not_approved_by_its_author_nor_edited_afterwards() -> None:
    material, quality = make_material(), signed_in(Role.QUALITY)
    content = {"name": "own", "subject": material.code, "limits": [{"quantity": "d50", "unit": "um", "upper": 6.0}]}
    code = quality.post("/api/specifications/", content, format="json").data["code"]
    answer = quality.post(f"/api/specifications/{code}/approve/", {"password": PASSWORD}, format="json")
    assert (answer.status_code, answer.data["code"]) == (403, "own-work")
    approved = specified(material.code)
    edit = {"limits": content["limits"]}
    refused = quality.put(f"/api/specifications/{approved}/", edit, format="json")
    assert (refused.status_code, refused.data["code"]) == (409, "not-a-draft")
    following = quality.post(f"/api/specifications/{approved}/new-version/", edit, format="json")
    assert following.status_code == 200


@pytest.mark.parametrize(
    "limit",
    [
        {"quantity": "luck", "unit": "", "upper": 1},
        {"quantity": "d50", "unit": "kg", "upper": 1},
        {"quantity": "d50", "unit": "um"},
    ],
)
def test_a_limit_that_makes_no_sense_is_422(limit) -> None:
    content = {"name": "odd", "subject": make_material().code, "limits": [limit]}
    assert signed_in(Role.CHEMIST).post("/api/specifications/", content, format="json").status_code == 422


@pytest.mark.parametrize("role", [*(r for r in Role if r is not Role.QUALITY), None])
def test_nobody_but_quality_decides_closes_or_approves(role) -> None:
    lot = make_lot()
    case = signed_in(Role.QUALITY).post(f"/api/lots/{lot.code}/open-nonconformance/", {"title": "x"}, format="json")
    assert case.status_code == 200
    other, code = signed_in(person(role, username="other")), Nonconformance.objects.get().code
    sent = {"password": PASSWORD, "reason": "x", "cause": "x", "action": "x"}
    for address in (f"lots/{lot.code}/release", f"lots/{lot.code}/reject", f"lots/{lot.code}/lift-hold",
                    f"nonconformances/{code}/close"):  # fmt: skip
        assert other.post(f"/api/{address}/", sent, format="json").status_code == 403
