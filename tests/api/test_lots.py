"""Lots by API: the same refusals as by page, as problem details."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.utils import timezone
from rest_framework.test import APIClient

from lims.accounts.roles import Role
from lims.materials.models import Lot
from tests.factories import make_lot, make_material, make_supplier, person, somebody

pytestmark = pytest.mark.django_db


def signed_in(user) -> APIClient:
    client = APIClient()
    client.force_authenticate(user)
    return client


def receipt(**changes):
    content = {
        "material": make_material().code,
        "supplier": make_supplier().code,
        "supplier_lot": "QX-2281",
        "mass": "25.5",
        "unit": "kg",
        "storage": "dry",
        "location": "cabinet 2",
        "expires_on": (timezone.localdate() + timedelta(days=300)).isoformat(),
    }
    return content | changes


def test_a_lot_is_received_tested_and_read(file_store) -> None:
    api = signed_in(somebody(Role.OPERATOR))
    file = SimpleUploadedFile("certificate.pdf", b"%PDF-1.7 values", content_type="application/pdf")
    made = api.post("/api/lots/", receipt(certificate=file), format="multipart")
    assert made.status_code == 201
    assert (made.data["state"], made.data["on_hand"]) == ("quarantine", "25.500000000")
    assert len(made.data["certificate_sha256"]) == 64
    code = made.data["code"]
    result = {"quantity": "d50", "value": 5.2, "unit": "um", "u": 0.1, "source": "supplier"}
    answer = api.post(f"/api/lots/{code}/results/", result, format="json")
    assert answer.data["results"][0]["value"] == pytest.approx(5.2e-6)
    assert answer.data["results"][0]["unit"] == "m"
    started = signed_in(somebody(Role.QUALITY)).post(f"/api/lots/{code}/start-test/")
    assert started.data["state"] == "under_test"
    assert [row["code"] for row in api.get("/api/lots/?state=under_test").data["results"]] == [code]


def test_the_same_key_makes_one_lot() -> None:
    api, content = signed_in(somebody(Role.OPERATOR)), receipt()
    first = api.post("/api/lots/", content, format="json", headers={"Idempotency-Key": "k1"})
    second = api.post("/api/lots/", content, format="json", headers={"Idempotency-Key": "k1"})
    assert first.data["code"] == second.data["code"]
    assert Lot.objects.count() == 1
    other = api.post("/api/lots/", content | {"mass": "1"}, format="json", headers={"Idempotency-Key": "k1"})
    assert (other.status_code, other.data["code"]) == (422, "key-reused")


@pytest.mark.parametrize("missing", ["supplier_lot", "mass", "unit", "storage"])
def test_a_receipt_without_a_field_names_it(missing: str) -> None:
    content = receipt()
    del content[missing]
    answer = signed_in(somebody(Role.OPERATOR)).post("/api/lots/", content, format="json")
    assert answer.status_code == 422
    assert answer["Content-Type"] == "application/problem+json"
    assert missing in answer.data["fields"]


def test_a_unit_of_another_dimension_is_refused() -> None:
    answer = signed_in(somebody(Role.OPERATOR)).post("/api/lots/", receipt(unit="L"), format="json")
    assert (answer.status_code, answer.data["code"]) == (422, "bad-unit")


def test_a_wrong_move_lists_the_allowed_acts() -> None:
    lot = make_lot()
    answer = signed_in(somebody(Role.QUALITY)).post(f"/api/lots/{lot.code}/reassess/", {"reason": "x"}, format="json")
    assert (answer.status_code, answer.data["code"]) == (409, "wrong-state")
    assert "start_test" in answer.data["allowed"]


def test_a_value_outside_nature_is_422() -> None:
    lot = make_lot()
    content = {"quantity": "density", "value": 3.95, "unit": "kg/m^3"}
    answer = signed_in(somebody(Role.CHEMIST)).post(f"/api/lots/{lot.code}/results/", content, format="json")
    assert (answer.status_code, answer.data["code"]) == (422, "out-of-range")


ROUTES = {"start-test": {}, "adjust-stock": {"mass": "-1", "unit": "g", "reason": "x"}, "void": {"reason": "x"}}


@pytest.mark.parametrize("act", ROUTES)
@pytest.mark.parametrize("role", [*(r for r in Role if r is not Role.QUALITY), None])
def test_nobody_but_quality_leads_a_lot(act: str, role) -> None:
    lot = make_lot()
    answer = signed_in(person(role, username="other")).post(f"/api/lots/{lot.code}/{act}/", ROUTES[act], format="json")
    assert (answer.status_code, answer.data["code"]) == (403, "not-allowed")


@pytest.mark.parametrize("role", [None, Role.ADMINISTRATOR])
def test_who_may_not_read_the_laboratory_reads_no_lot(role) -> None:
    lot = make_lot()
    api = signed_in(person(role, username="other"))
    for address in ("/api/lots/", f"/api/lots/{lot.code}/", "/api/materials/", "/api/suppliers/"):
        assert api.get(address).status_code == 403


def test_nobody_reads_without_signing_in() -> None:
    assert APIClient().get("/api/lots/").status_code == 401


def test_a_lot_there_is_none_of_is_404() -> None:
    answer = signed_in(somebody(Role.OPERATOR)).get("/api/lots/LOT-9999/")
    assert (answer.status_code, answer.data["code"]) == (404, "not-found")


def test_an_address_with_nothing_behind_it_is_answered_as_a_problem_and_elsewhere_as_a_page() -> None:
    api = signed_in(somebody(Role.OPERATOR))
    answer = api.get("/api/no/such/route/")
    assert (answer.status_code, answer["Content-Type"]) == (404, "application/problem+json")
    assert answer.json()["code"] == "not-found"
    assert api.get("/no/such/page/")["Content-Type"].startswith("text/html")


def test_a_supplier_and_a_material_are_named_and_approved() -> None:
    chemist, quality = signed_in(somebody(Role.CHEMIST)), signed_in(somebody(Role.QUALITY))
    supplier = chemist.post("/api/suppliers/", {"name": "Quarry Lane Powders"}, format="json").data["code"]
    refused = chemist.post(f"/api/suppliers/{supplier}/approve/", {"reason": "audit"}, format="json")
    assert refused.status_code == 403
    assert quality.post(f"/api/suppliers/{supplier}/approve/", {"reason": "audit"}, format="json").data["approved"]
    content = {"name": "zinc oxide, fine", "kind": "filler", "density": 5610.0}
    made = chemist.post("/api/materials/", content, format="json")
    assert made.status_code == 201
    address = f"/api/materials/{made.data['code']}/"
    stale = {"shape": "round", "version": made.data["version"]}
    assert chemist.patch(address, stale, format="json").data["shape"] == "round"
    assert chemist.patch(address, stale, format="json").status_code == 412
