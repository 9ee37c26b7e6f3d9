"""Lots by page: receive by keyboard, lose nothing, see why not, print a label that decodes."""

from __future__ import annotations

import io
from datetime import timedelta

import pytest
import zxingcpp
from django.core.files.uploadedfile import SimpleUploadedFile
from django.utils import timezone
from PIL import Image, ImageDraw

from lims.accounts.roles import Role
from lims.core.codes import check_character
from lims.materials.models import Lot
from tests.factories import make_lot, make_material, make_supplier, person, somebody

pytestmark = pytest.mark.django_db


def receipt(**changes):
    content = {
        "material": make_material().code,
        "supplier": make_supplier().code,
        "supplier_lot": "QX-2281",
        "mass": "25,5",
        "unit": "kg",
        "received_on": timezone.localdate().isoformat(),
        "containers": "2",
        "storage": "dry",
        "location": "cabinet 2",
        "expires_on": (timezone.localdate() + timedelta(days=300)).isoformat(),
    }
    return content | changes


def test_a_lot_is_received_on_one_page_with_its_certificate(client, file_store) -> None:
    client.force_login(somebody(Role.OPERATOR))
    assert client.get("/lots/new/").status_code == 200
    file = SimpleUploadedFile("certificate.pdf", b"%PDF-1.7 values", content_type="application/pdf")
    response = client.post("/lots/new/", receipt(certificate=file))
    lot = Lot.objects.get()
    assert response.url == f"/lots/{lot.code}/"
    assert lot.certificate is not None
    assert lot.certificate.name == "certificate.pdf"
    assert len(lot.certificate.sha256) == 64
    page = client.get(response.url).content.decode()
    assert "25.5" in page
    assert "quarantine" in page
    assert "certificate.pdf" in page


@pytest.mark.parametrize("missing", ["supplier_lot", "mass", "unit", "storage", "location"])
def test_a_receipt_without_a_field_comes_back_filled(client, missing: str) -> None:
    client.force_login(somebody(Role.OPERATOR))
    response = client.post("/lots/new/", receipt(**{missing: "", "remarks": "torn bag"}))
    assert response.status_code == 422
    assert "torn bag" in response.content.decode()
    assert not Lot.objects.exists()


def test_a_certificate_is_not_lost_by_a_slip_elsewhere(client, file_store) -> None:
    client.force_login(somebody(Role.OPERATOR))
    file = SimpleUploadedFile("certificate.pdf", b"%PDF-1.7 values", content_type="application/pdf")
    first = client.post("/lots/new/", receipt(certificate=file, supplier_lot=""))
    assert first.status_code == 422
    assert "certificate.pdf is kept" in first.content.decode()
    digest = first.context["form"]["certificate_digest"].value()
    again = {**first.context["form"].data.dict(), "supplier_lot": "QX-1", "certificate_digest": digest}
    client.post("/lots/new/", again)
    assert Lot.objects.get().certificate.sha256 == digest


def test_an_ambiguous_number_is_asked_about(client) -> None:
    client.force_login(somebody(Role.OPERATOR))
    response = client.post("/lots/new/", receipt(mass="1,234"))
    assert response.status_code == 422
    assert "1,234 can mean 1.234 or 1234" in response.content.decode()


def test_the_same_form_twice_makes_one_lot(client) -> None:
    client.force_login(somebody(Role.OPERATOR))
    content = receipt(idempotency_key="one-form")
    first, second = client.post("/lots/new/", content), client.post("/lots/new/", content)
    assert first.url == second.url
    assert Lot.objects.count() == 1


def test_a_wrong_move_shows_the_page_again_with_its_refusal(client) -> None:
    lot = make_lot()
    client.force_login(somebody(Role.QUALITY))
    assert client.post(f"/lots/{lot.code}/start-test/").status_code == 302
    response = client.post(f"/lots/{lot.code}/start-test/")
    assert response.status_code == 409
    assert "Possible now" in response.content.decode()


def test_a_result_out_of_range_comes_back_filled(client) -> None:
    lot = make_lot()
    client.force_login(somebody(Role.CHEMIST))
    content = {"quantity": "d50", "value": "5.2", "unit": "mm", "source": "own", "method": "laser"}
    response = client.post(f"/lots/{lot.code}/add-result/", content)
    assert response.status_code == 422
    assert "outside what is physically possible" in response.content.decode()
    assert 'value="laser"' in response.content.decode()
    assert client.post(f"/lots/{lot.code}/add-result/", content | {"unit": "um"}).status_code == 302
    assert lot.properties.get().value == pytest.approx(5.2e-6)


@pytest.mark.parametrize("role", [None, Role.ADMINISTRATOR])
def test_who_may_not_read_the_laboratory_sees_no_lot(client, role) -> None:
    lot = make_lot()
    client.force_login(person(role, username="reader"))
    for address in ("/lots/", f"/lots/{lot.code}/", f"/lots/{lot.code}/label/", f"/lots/{lot.code}/label.png"):
        assert client.get(address).status_code == 403


def test_the_wrong_kind_of_code_names_both_kinds(client) -> None:
    client.force_login(somebody(Role.OPERATOR))
    response = client.get("/lots/RIG-03/")
    assert response.status_code == 422
    assert "RIG-03 is a rig; a lot is expected here." in response.content.decode()


def label_image(client, lot: Lot) -> Image.Image:
    response = client.get(f"/lots/{lot.code}/label.png")
    assert response["Content-Type"] == "image/png"
    return Image.open(io.BytesIO(response.content)).convert("RGB")


def test_a_label_decodes_to_the_address_and_stays_the_same_through_states(client) -> None:
    lot = make_lot()
    client.force_login(somebody(Role.QUALITY))
    before = label_image(client, lot)
    (found,) = zxingcpp.read_barcodes(before)
    assert found.text == f"http://testserver/c/{lot.code}"
    client.post(f"/lots/{lot.code}/start-test/")
    assert label_image(client, lot).tobytes() == before.tobytes()
    assert "under test" in client.get(found.text.removeprefix("http://testserver"), follow=True).content.decode()


def test_a_label_still_decodes_with_a_tenth_of_its_symbol_blanked(client) -> None:
    lot = make_lot()
    client.force_login(somebody(Role.OPERATOR))
    image = label_image(client, lot)
    (found,) = zxingcpp.read_barcodes(image)
    corners = found.position
    left, top = corners.top_left.x, corners.top_left.y
    side = corners.bottom_right.x - left
    # a square of a tenth of the area in the middle of the right half, clear of the three finder patterns
    edge = int(side * 0.1**0.5)
    x, y = left + int(side * 0.55), top + int(side * 0.45)
    ImageDraw.Draw(image).rectangle((x, y, x + edge, y + edge), fill="white")
    (again,) = zxingcpp.read_barcodes(image)
    assert again.text == found.text


def test_a_label_says_name_dates_hazards_storage_and_the_code_with_its_check_character(client) -> None:
    hazards = [{"code": "H335", "text": "May irritate the airways"}]
    make_material("boron nitride, platelet", hazards=hazards, hazards_source="sheet of 2026")
    lot = make_lot()
    client.force_login(somebody(Role.OPERATOR))
    page = client.get(f"/lots/{lot.code}/label/").content.decode()
    expected = (f"{lot.code} {check_character(lot.code)}", "boron nitride, platelet", "H335", "dry, 15 to 25 °C")
    for words in (*expected, lot.received_on.isoformat(), lot.expires_on.isoformat()):
        assert words in page
    assert client.get(f"/lots/{lot.code}/label.pdf").content.startswith(b"%PDF")


def test_the_list_keeps_its_query_bound_however_many_lots(client, django_assert_max_num_queries) -> None:
    lot = make_lot()
    client.force_login(somebody(Role.OPERATOR))
    rows = [
        Lot(
            code=f"LOT-9{number:05d}",
            material=lot.material,
            supplier=lot.supplier,
            supplier_lot=str(number),
            received_on=lot.received_on,
            received_by=lot.received_by,
            storage="dry",
            location="here",
        )
        for number in range(200)
    ]
    Lot.objects.bulk_create(rows)
    with django_assert_max_num_queries(8):
        page = client.get("/lots/")
    assert len(page.context["page"].object_list) == 50
