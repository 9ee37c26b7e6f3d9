"""Lots by page: receive by keyboard, lose nothing, see why not, print a label that decodes."""

from __future__ import annotations

import io
import re
from datetime import timedelta

import pytest
import zxingcpp
from django.core.files.uploadedfile import SimpleUploadedFile
from django.utils import timezone
from PIL import Image, ImageDraw

from lims.accounts.roles import Role
from lims.core.codes import check_character
from lims.materials.models import Lot, Material, Supplier
from tests.factories import (
    PASSWORD,
    add_d50,
    make_lot,
    make_material,
    make_released_lot,
    make_supplier,
    make_version,
    person,
    somebody,
)

pytestmark = pytest.mark.django_db


def receipt(**changes):
    content = {
        "material": (Material.objects.first() or make_material()).code,
        "supplier": (Supplier.objects.first() or make_supplier()).code,
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


GTIN = "08904000210037"  # the worked check digit of gs1india.org/SERV/checkdgt.htm


def test_a_suppliers_symbol_fills_the_receipt_and_its_product_code_is_remembered(client) -> None:
    client.force_login(somebody(Role.OPERATOR))
    scan = {"symbol": f"]d201{GTIN}10QX-9␝1728020021A7"}
    page = client.get("/lots/new/", scan)
    assert "not known here yet" in page.content.decode()
    form = page.context["form"]
    assert {"supplier_lot": "QX-9", "serial": "A7", "gtin": GTIN}.items() <= form.initial.items()
    assert not Lot.objects.exists()  # nothing is kept before the person has looked
    sent = receipt(gtin=GTIN, supplier_lot="QX-9", serial="A7", expires_on=form.initial["expires_on"].isoformat())
    client.post("/lots/new/", sent)
    lot = Lot.objects.get()
    assert (lot.serial, lot.expires_on.isoformat()) == ("A7", "2028-02-29")
    again = client.get("/lots/new/", scan).context["form"].initial
    assert (again["material"], again["supplier"]) == (lot.material.code, lot.supplier.code)
    other = client.post("/lots/new/", receipt(gtin=GTIN, material=make_material("zinc oxide, fine").code))
    assert other.status_code == 409
    assert "stands for alumina, round, 5 um, not for zinc oxide, fine" in other.content.decode()


def test_a_symbol_with_a_wrong_check_digit_is_refused_at_its_field(client) -> None:
    client.force_login(somebody(Role.OPERATOR))
    page = client.get("/lots/new/", {"symbol": "0108904000210038"})
    assert page.status_code == 422
    assert "the check digit is 8, 7 is expected" in page.content.decode()


def test_lots_are_split_and_treated_by_page_and_their_page_shows_the_way(client) -> None:
    lot = make_lot(mass="2")
    client.force_login(somebody(Role.CHEMIST))
    split = client.post(f"/lots/{lot.code}/split/", {"mass": "500", "unit": "g"})
    portion = Lot.objects.latest("id")
    assert split.url == f"/lots/{portion.code}/"
    content = {
        "origin": "treatment",
        "how": "dried at 120 °C",
        "yielded": "490",
        "unit": "g",
        "containers": "1",
        "parts-TOTAL_FORMS": "2",
        "parts-INITIAL_FORMS": "0",
        "parts-0-lot": portion.code,
        "parts-0-mass": "500",
        "parts-0-unit": "g",
    }
    wrong = client.post("/lots/make/", content | {"parts-1-lot": "", "parts-1-mass": "5"})
    assert wrong.status_code == 422
    assert "A lot and how much of it" in wrong.content.decode()
    made = client.post("/lots/make/", content)
    dried = Lot.objects.latest("id")
    assert made.url == f"/lots/{dried.code}/"
    page = client.get(made.url).content.decode()
    for words in ("dried at 120 °C", lot.code, portion.code):
        assert words in page
    assert re.search(r"Lost</th>.*?>10<span", page)
    assert re.search(r"Came out</th>.*?>490<span", page)
    assert dried.code in client.get(f"/lots/{lot.code}/").content.decode()
    client.force_login(somebody(Role.OPERATOR))  # who may not read recipes
    assert "500<span" in page
    page = client.get(made.url).content.decode()
    assert "500<span" not in page
    assert "part of a recipe" in page


def test_a_size_distribution_is_pasted_plotted_and_a_bad_row_comes_back_filled(client, file_store) -> None:
    lot = make_lot()
    client.force_login(somebody(Role.OPERATOR))
    content = {"form": "below", "basis": "volume", "source": "own", "method": "laser, wet", "unit": ""}
    bad = client.post(f"/lots/{lot.code}/sizes/new/", content | {"table": "1;0\n2;x\n5;100"})
    assert bad.status_code == 422
    assert "row 2: &#x27;x&#x27; is not a number" in bad.content.decode()
    assert "2;x" in bad.content.decode()
    file = SimpleUploadedFile("sizes.csv", b"size [um],below\n1,0\n5,50\n20,100\n", content_type="text/csv")
    done = client.post(f"/lots/{lot.code}/sizes/new/", content | {"file": file, "as_results": "on"})
    assert done.url == f"/lots/{lot.code}/"
    page = client.get(done.url).content.decode()
    assert "sizes.csv" in page
    plot = client.get(f"/lots/{lot.code}/sizes.json").json()
    assert plot["data"][0]["x"][1] == pytest.approx(5.0)
    assert lot.properties.count() == 3


def test_a_longer_life_is_signed_by_page_and_refused_without_a_result(client) -> None:
    lot = make_released_lot()
    until = (timezone.localdate() + timedelta(days=500)).isoformat()
    client.force_login(somebody(Role.QUALITY))
    content = {"expires_on": until, "reason": "size as before", "password": PASSWORD}
    bare = client.post(f"/lots/{lot.code}/extend-life/", content)
    assert bare.status_code == 422
    add_d50(lot)
    done = client.post(f"/lots/{lot.code}/extend-life/", content | {"results": [lot.properties.get().pk]})
    assert done.url == f"/lots/{lot.code}/"
    page = client.get(done.url).content.decode()
    assert "Longer lives" in page
    assert until in page


def test_a_sheet_and_what_must_not_meet_are_typed_and_shown_where_it_matters(client, file_store) -> None:
    lot = make_lot()
    code = lot.material.code
    client.force_login(somebody(Role.CHEMIST))
    file = SimpleUploadedFile("sheet.pdf", b"%PDF-1.7 sheet", content_type="application/pdf")
    content = {"source": "invented sheet 7", "signal": "danger", "pictograms": "GHS05, GHS07", "file": file}
    content["statements"] = "H315 Irritates the skin\nP280 Wear gloves"
    assert client.post(f"/materials/{code}/sheets/new/?lot={lot.code}", content).url == f"/lots/{lot.code}/"
    page = client.get(f"/lots/{lot.code}/").content.decode()
    for words in ("Danger", "GHS05 GHS07", "H315", "sheet.pdf", "invented sheet 7", "local codes come first"):
        assert words in page
    assert "H315" in client.get(f"/lots/{lot.code}/label/").content.decode()
    version = make_version()
    fluid = version.lines.get(material__kind="carrier").material
    record = {"other": fluid.code, "effect": "swells", "source": "common practice, no source"}
    assert client.post(f"/materials/{code}/incompatible/new/", record).url == f"/materials/{code}/"
    shown = client.get(f"/formulations/{version.code}/").content.decode()
    assert "Swells" in shown
    assert "common practice, no source" in shown


def test_a_place_is_named_and_a_lot_moved_there(client) -> None:
    lot = make_lot()
    client.force_login(somebody(Role.CHEMIST))
    place = client.post("/places/new/", {"name": "Cold store", "condition": "2 to 8 °C"}).url
    client.post(f"/lots/{lot.code}/move/", {"location": "cold store"})
    assert lot.code in client.get(place).content.decode()
    assert client.get("/places/").status_code == client.get(f"{place}label/").status_code == 200


def test_each_container_has_a_label_of_its_own_that_opens_its_lot(client) -> None:
    lot = make_lot(containers=3)
    client.force_login(somebody(Role.OPERATOR))
    page = client.get(f"/lots/{lot.code}/label/?container=2").content.decode()
    assert f"{lot.code}/2" in page
    assert "container 2 of 3" in page
    assert client.get(f"/c/{lot.code}/2", follow=True).redirect_chain[-1][0] == f"/lots/{lot.code}/"
    assert client.get(f"/lots/{lot.code}/4/").status_code == 404
