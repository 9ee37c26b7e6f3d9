"""Formulations and batches by API: the whole way from recipe to release, and the same refusals as by page."""

from __future__ import annotations

import io
from decimal import Decimal

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from PIL import Image
from rest_framework.test import APIClient

from lims.accounts.roles import Role
from lims.formulations.models import Batch, Weighing
from tests.factories import (
    PASSWORD,
    make_batch,
    make_lot,
    make_made_batch,
    make_material,
    make_released_lot,
    make_version,
    person,
    somebody,
    weigh_all,
)

pytestmark = pytest.mark.django_db


def signed_in(who) -> APIClient:
    client = APIClient()
    client.force_authenticate(somebody(who) if isinstance(who, Role) else who)
    return client


def recipe(**changes):
    filler, fluid = make_material("alumina"), make_material("fluid", kind="carrier", density=970.0)
    lines = [{"material": filler.code, "fraction": "0.9"}, {"material": fluid.code, "fraction": "0.1"}]
    return {"name": "paste A", "lines": lines, "steps": [{"instruction": "mix", "speed": 20.0}]} | changes


def weighing(batch: Batch, **changes):
    line = batch.lines.order_by("position").first()
    lot = make_released_lot(line.material)
    return {"position": 1, "lot": lot.code, "net": "225.0", "unit": "g", "balance": "BAL-01"} | changes


def test_from_recipe_to_release_by_api() -> None:
    chemist, quality, operator = (signed_in(r) for r in (Role.CHEMIST, Role.QUALITY, Role.OPERATOR))
    made = chemist.post("/api/formulations/", recipe(), format="json")
    assert made.status_code == 201
    version = made.data["code"]
    assert made.data["volume_fractions"][0] == pytest.approx(0.6885, abs=1e-4)
    assert chemist.post(f"/api/formulations/{version}/submit/").data["state"] == "in_review"
    approved = quality.post(f"/api/formulations/{version}/approve/", {"password": PASSWORD}, format="json")
    assert approved.data["state"] == "approved"
    plan = {"version": version, "target_mass": "250", "unit": "g"}
    batch = chemist.post("/api/batches/", plan, format="json").data
    code, address = batch["code"], f"/api/batches/{batch['code']}"
    assert [Decimal(line["target"]) for line in batch["lines"]] == [Decimal("0.225"), Decimal("0.025")]
    balance = signed_in(Role.SERVICE)
    for line, net in zip(batch["lines"], ("225.0", "25.0"), strict=True):
        lot = make_released_lot(Batch.objects.get(code=code).lines.get(position=line["position"]).material)
        sent = {"position": line["position"], "lot": lot.code, "net": net, "unit": "g", "balance": "BAL-01"}
        answer = balance.post(f"{address}/weigh/", sent | {"captured": True}, format="json")
        assert answer.status_code == 200
        assert answer.data["lines"] is None
    assert all(w.captured and w.by == somebody(Role.SERVICE) for w in Weighing.objects.all())
    assert chemist.post(f"{address}/close-weighing/").data["state"] == "processing"
    done = chemist.post(f"{address}/do-step/", {"position": 1, "speed": 20.0}, format="json")
    assert done.data["steps_done"] == [1]
    finished = chemist.post(f"{address}/finish/", {"yield_mass": "240", "unit": "g"}, format="json")
    assert finished.data["state"] == "made"
    assert operator.post(f"{address}/start-test/").data["state"] == "under_test"
    standing = quality.get(f"{address}/standing/").data
    assert [item["code"] for item in standing["missing"]] == ["no-specification"]
    sent = {"password": PASSWORD, "reason": "a trial"}
    assert quality.post(f"{address}/release/", sent, format="json").data["state"] == "released"


def test_a_recipe_of_99_4_percent_is_refused_with_what_is_missing() -> None:
    chemist = signed_in(Role.CHEMIST)
    content = recipe()
    content["lines"][0]["fraction"] = "0.894"
    version = chemist.post("/api/formulations/", content, format="json").data["code"]
    answer = chemist.post(f"/api/formulations/{version}/submit/")
    assert (answer.status_code, answer.data["code"], answer.data["missing"]) == (422, "total-not-100", "0.6")


def test_a_draft_changed_meanwhile_is_412() -> None:
    chemist = signed_in(Role.CHEMIST)
    content = recipe()
    made = chemist.post("/api/formulations/", content, format="json").data
    edit = {"lines": content["lines"], "steps": content["steps"], "version": made["version"]}
    assert chemist.put(f"/api/formulations/{made['code']}/", edit, format="json").status_code == 200
    assert chemist.put(f"/api/formulations/{made['code']}/", edit, format="json").status_code == 412


def test_an_approved_version_is_not_edited() -> None:
    version, content = make_version(), recipe()
    edit = {"lines": content["lines"], "steps": content["steps"]}
    answer = signed_in(Role.CHEMIST).put(f"/api/formulations/{version.code}/", edit, format="json")
    assert (answer.status_code, answer.data["code"]) == (409, "not-a-draft")


def test_a_quarantined_lot_is_not_weighed() -> None:
    batch = make_batch()
    lot = make_lot(batch.lines.order_by("position").first().material)
    sent = weighing(batch, lot=lot.code)
    answer = signed_in(Role.CHEMIST).post(f"/api/batches/{batch.code}/weigh/", sent, format="json")
    assert (answer.status_code, answer.data["code"]) == (409, "lot-not-released")


@pytest.mark.parametrize(
    ("change", "status", "code"),
    [
        ({"net": "22.50"}, 422, "unit-slip"),
        ({"net": "227"}, 422, "outside-tolerance"),
        ({"unit": "L"}, 422, "bad-unit"),
        ({"lot": "RIG-03"}, 422, "wrong-kind"),
        ({"position": 9}, 404, "not-found"),
    ],
)
def test_a_weighing_that_is_not_right_is_refused(change, status: int, code: str) -> None:
    batch = make_batch()
    answer = signed_in(Role.CHEMIST).post(f"/api/batches/{batch.code}/weigh/", weighing(batch, **change), format="json")
    assert (answer.status_code, answer.data["code"]) == (status, code)
    assert not Weighing.objects.exists()


def test_a_double_tap_weighs_once() -> None:
    batch, chemist = make_batch(), signed_in(Role.CHEMIST)
    sent = weighing(batch)
    for _ in range(2):
        key = {"Idempotency-Key": "tap-1"}
        assert chemist.post(f"/api/batches/{batch.code}/weigh/", sent, format="json", headers=key).status_code == 200
    assert Weighing.objects.count() == 1


def test_nobody_checks_their_own_weighing() -> None:
    batch, chemist = make_batch(), signed_in(Role.CHEMIST)
    chemist.post(f"/api/batches/{batch.code}/weigh/", weighing(batch), format="json")
    sent = {"weighing": Weighing.objects.get().pk}
    answer = chemist.post(f"/api/batches/{batch.code}/check-weighing/", sent, format="json")
    assert (answer.status_code, answer.data["code"]) == (403, "own-work")
    checked = signed_in(Role.OPERATOR).post(f"/api/batches/{batch.code}/check-weighing/", sent, format="json")
    assert checked.status_code == 200


def test_a_correction_needs_its_reason() -> None:
    batch, chemist = make_batch(), signed_in(Role.CHEMIST)
    chemist.post(f"/api/batches/{batch.code}/weigh/", weighing(batch), format="json")
    sent = {"weighing": Weighing.objects.get().pk, "net": "225.2", "unit": "g"}
    address = f"/api/batches/{batch.code}/correct-weighing/"
    assert chemist.post(address, sent, format="json").status_code == 422
    assert chemist.post(address, sent | {"reason": "misread"}, format="json").status_code == 200


def test_an_exploratory_batch_is_refused_its_release() -> None:
    chemist, quality = signed_in(Role.CHEMIST), signed_in(Role.QUALITY)
    content = recipe() | {"target_mass": "100", "unit": "g"}
    made = chemist.post("/api/batches/explore/", content, format="json")
    assert (made.status_code, made.data["exploratory"]) == (201, True)
    sent = {"password": PASSWORD, "reason": "please"}
    answer = quality.post(f"/api/batches/{made.data['code']}/release/", sent, format="json")
    assert (answer.status_code, answer.data["code"]) == (409, "exploratory")


def test_a_wrong_move_lists_the_allowed_acts() -> None:
    answer = signed_in(Role.CHEMIST).post(f"/api/batches/{make_batch().code}/close-weighing/")
    assert (answer.status_code, answer.data["code"]) == (409, "wrong-state")
    assert answer.data["allowed"] == ["weigh", "abort"]


ALLOWED = {
    "abort": {"CHEMIST"},
    "close-weighing": {"CHEMIST"},
    "start-test": {"OPERATOR", "QUALITY"},
    "reject": {"QUALITY"},
    "hold": {"CHEMIST", "OPERATOR", "RIG_KEEPER", "QUALITY", "MANAGER"},
}


@pytest.mark.parametrize("act", ALLOWED)
@pytest.mark.parametrize("role", [*Role, None])
def test_each_role_is_answered_by_the_table(act: str, role: Role | None) -> None:
    batch = make_made_batch()
    sent = {"reason": "x", "password": PASSWORD}
    answer = signed_in(person(role, username="other")).post(f"/api/batches/{batch.code}/{act}/", sent, format="json")
    if role is not None and role.name in ALLOWED[act]:
        assert answer.status_code in (200, 409)
    else:
        assert (answer.status_code, answer.data["code"]) == (403, "not-allowed")


@pytest.mark.parametrize("role", [Role.OPERATOR, Role.MANAGER, Role.SERVICE])
def test_composition_is_not_answered_without_the_right_to_recipes(role: Role) -> None:
    batch = make_batch()
    api = signed_in(role)
    found = api.get(f"/api/batches/{batch.code}/")
    assert (found.data["lines"], found.data["formulation"]) == (None, None)
    assert api.get(f"/api/formulations/{batch.recipe.code}/").status_code == 403


@pytest.mark.parametrize("role", [Role.ADMINISTRATOR, None])
def test_who_may_not_read_the_laboratory_reads_no_batch(role: Role | None) -> None:
    batch = make_batch()
    api = signed_in(person(role, username="other"))
    for address in ("/api/batches/", f"/api/batches/{batch.code}/", f"/api/batches/{batch.code}/standing/"):
        assert api.get(address).status_code == 403


def test_limits_a_corrected_test_and_a_photograph_by_api() -> None:
    chemist, operator = signed_in(Role.CHEMIST), signed_in(Role.OPERATOR)
    draft = chemist.post("/api/formulations/", recipe(name="paste B"), format="json").data["code"]
    limits = {"tests": [{"test": "density", "lower": 2700.0}]}
    set_ = chemist.post(f"/api/formulations/{draft}/test-limits/", limits, format="json")
    assert [dict(row) for row in set_.data["tests"]] == [{"test": "density", "lower": 2700.0, "upper": None}]
    batch = weigh_all(make_batch(make_version()))
    address = f"/api/batches/{batch.code}"
    first = chemist.post(f"{address}/test/", {"test": "density", "value": 2.7}, format="json").data["tests"][0]
    sent = {"test": "density", "value": 2.8, "replaces": first["id"]}
    assert chemist.post(f"{address}/test/", sent, format="json").status_code == 422
    [stands] = chemist.post(f"{address}/test/", sent | {"reason": "cup not full"}, format="json").data["tests"]
    assert (stands["value"], stands["replaces"]) == (pytest.approx(2800.0), first["id"])
    out = io.BytesIO()
    Image.new("RGB", (40, 30)).save(out, "PNG")
    photo = SimpleUploadedFile("vessel.png", out.getvalue(), "image/png")
    made = operator.post(f"{address}/photographs/", {"photo": photo, "caption": "after mixing"}, format="multipart")
    assert (made.status_code, made.data["caption"]) == (201, "after mixing")
    assert chemist.get(f"{address}/photographs/").data[0]["sha256"] == made.data["sha256"]
    assert operator.get(f"{address}/photographs/").status_code == 403


def test_a_weighing_of_a_person_that_says_it_was_captured_is_refused() -> None:
    batch = make_batch()
    sent = weighing(batch, captured=True)
    refused = signed_in(Role.CHEMIST).post(f"/api/batches/{batch.code}/weigh/", sent, format="json")
    assert (refused.status_code, refused.data["code"]) == (403, "captured-by-person")
