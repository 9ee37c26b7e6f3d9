"""The receiving desk by API: the same refusals as by page, as problem details."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.utils import timezone
from rest_framework.test import APIClient

from lims.accounts.roles import Role
from tests.factories import PASSWORD, add_d50, make_lot, make_material, make_released_lot, make_supplier, somebody

pytestmark = pytest.mark.django_db


def signed_in(role: Role) -> APIClient:
    client = APIClient()
    client.force_authenticate(somebody(role))
    return client


def test_a_symbol_is_read_and_a_bad_one_is_422() -> None:
    api = signed_in(Role.OPERATOR)
    answer = api.post("/api/symbols/", {"symbol": "010890400021003710QX\x1d17280200"}, format="json")
    assert (answer.data["lot"], answer.data["expires_on"], answer.data["material"]) == ("QX", "2028-02-29", None)
    bad = api.post("/api/symbols/", {"symbol": "0108904000210038"}, format="json")
    assert (bad.status_code, bad.data["code"]) == (422, "bad-symbol")


def test_lots_are_split_blended_and_treated_and_tell_their_kin() -> None:
    api, lot, other = signed_in(Role.CHEMIST), make_lot(), make_lot()

    def make(status: int = 201, **content):
        answer = api.post("/api/lots/made/", {"unit": "g"} | content, format="json")
        assert answer.status_code == status, answer.data
        return answer.data

    part = {"mass": "500", "unit": "g"}
    split = make(origin="split", parts=[part | {"lot": lot.code}])
    assert (split["origin"], split["parents"], split["on_hand"]) == ("split", [lot.code], "0.500000000")
    treated = make(origin="treatment", how="dried", parts=[part | {"lot": split["code"]}], yielded="480")
    parts = [part | {"lot": other.code}, {"lot": treated["code"], "mass": "0.48", "unit": "kg"}]
    blend = make(origin="blend", how="tumbled", parts=parts)
    kin = api.get(f"/api/lots/{lot.code}/kin/").data["descendants"]
    assert [(row["code"], row["depth"]) for row in kin] == [
        (split["code"], 1),
        (treated["code"], 2),
        (blend["code"], 3),
    ]
    more = make(422, origin="treatment", how="x", parts=[part | {"lot": lot.code}], yielded="501")
    assert more["code"] == "mass-balance"
    operator = signed_in(Role.OPERATOR)
    content = {"origin": "blend", "how": "x", "parts": parts, "unit": "g"}
    assert operator.post("/api/lots/made/", content, format="json").status_code == 403


def test_a_size_distribution_comes_as_text_or_file_and_its_bad_row_is_named(file_store) -> None:
    api, lot = signed_in(Role.OPERATOR), make_lot()
    address = f"/api/lots/{lot.code}/sizes/"
    bad = api.post(address, {"table": "1;0\n2;60\n5;50\n9;100", "method": "laser"}, format="json")
    assert (bad.status_code, bad.data["code"]) == (422, "bad-table")
    assert bad.data["detail"].startswith("Row 3")
    file = SimpleUploadedFile("sizes.csv", b"size [um],below\n1,0\n5,50\n20,100\n", content_type="text/csv")
    made = api.post(address, {"file": file, "method": "laser"}, format="multipart")
    assert made.status_code == 201
    assert made.data["d50"] == pytest.approx(5e-6)
    assert len(made.data["file_sha256"]) == 64
    assert [row["id"] for row in api.get(address).data] == [made.data["id"]]


def test_a_life_is_lengthened_only_on_a_result_and_the_lot_is_opened_once() -> None:
    lot, quality = make_released_lot(in_use_days=9), signed_in(Role.QUALITY)
    today = timezone.localdate()
    assert (
        quality.post(f"/api/lots/{lot.code}/open/", {"opened_on": today.isoformat()}, format="json").data[
            "usable_until"
        ]
        == (today + timedelta(days=9)).isoformat()
    )
    until = (today + timedelta(days=400)).isoformat()
    content = {"expires_on": until, "reason": "as before", "password": PASSWORD}
    for results in ([], [4711]):
        refused = quality.post(f"/api/lots/{lot.code}/extend-life/", content | {"results": results}, format="json")
        assert (refused.status_code, refused.data["code"]) == (422, "no-retest-result")
    add_d50(lot)
    sent = content | {"results": [lot.properties.get().pk]}
    assert quality.post(f"/api/lots/{lot.code}/extend-life/", sent, format="json").data["usable_until"] == until


def test_sheets_what_must_not_meet_places_and_approvals_for_one_material(file_store) -> None:
    chemist, lot, other = signed_in(Role.CHEMIST), make_lot(), make_material("acid flux", kind="additive")
    code = lot.material.code
    sheet = {"source": "invented sheet", "statements": [{"code": "H315", "text": "Irritates"}], "lot": lot.code}
    assert chemist.post(f"/api/materials/{code}/sheets/", sheet, format="json").status_code == 201
    file = SimpleUploadedFile("sheet.pdf", b"%PDF-1.7 sheet", content_type="application/pdf")
    form = {"source": "its revision 2", "file": file, "statements[0]code": "H318", "statements[0]text": "Eyes"}
    kept = chemist.post(f"/api/materials/{code}/sheets/", form, format="multipart")
    assert (kept.status_code, len(kept.data["file_sha256"])) == (201, 64)
    assert chemist.get(f"/api/materials/{code}/sheets/").data[0]["statements"] == [{"code": "H318", "text": "Eyes"}]
    assert chemist.get(f"/api/lots/{lot.code}/").data["hazards"] == [{"code": "H315", "text": "Irritates"}]
    record = {"other": other.code, "effect": "corrodes", "source": "common practice, no source"}
    made = chemist.post(f"/api/materials/{code}/incompatible/", record, format="json")
    assert made.status_code == 201
    met = chemist.get(f"/api/meetings/?material={code}&material={other.code}").data
    assert [row["effect"] for row in met] == ["corrodes"]
    gone = chemist.delete(f"/api/materials/{code}/incompatible/{made.data['id']}/", {"reason": "error"}, format="json")
    assert gone.status_code == 204
    assert chemist.get(f"/api/materials/{other.code}/incompatible/").data == []
    place = chemist.post("/api/places/", {"name": "Cold store", "condition": "2 to 8 °C"}, format="json").data
    moved = chemist.post(f"/api/lots/{lot.code}/move/", {"location": place["code"]}, format="json").data
    assert (moved["location"], moved["storage"]) == ("Cold store", "2 to 8 °C")
    supplier = make_supplier("Second Quarry", approved=False)
    content = {"reason": "three samples", "material": code}
    quality = signed_in(Role.QUALITY)
    approved = quality.post(f"/api/suppliers/{supplier.code}/approve/", content, format="json").data
    assert (approved["approved"], approved["approved_for"]) == (False, [code])
