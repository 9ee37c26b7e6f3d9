"""Batches by page: from plan to made at the bench, with the same refusals as the services."""

from __future__ import annotations

import io
import re
from decimal import Decimal

import pytest
from pypdf import PdfReader

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
# 225 g as a page writes it; codes and keys may hold the same digits
AMOUNT = re.compile(r"(?<![\w-])225(\.\d+)?(</span>)?\s*(<[^>]*>\s*)*(&nbsp;|\u00a0)?g\b")


def content(lot, net: str, **changes):
    return {"lot": lot.code, "net": net, "balance": "BAL-01"} | changes


def test_a_batch_is_made_at_the_bench_line_by_line_and_step_by_step(client) -> None:
    version = make_version()
    lots = {line.position: make_released_lot(line.material) for line in version.lines.all()}
    client.force_login(somebody(Role.CHEMIST))
    planned = client.post("/batches/new/", {"version": version.code, "target_mass": "250"})
    code = Batch.objects.get().code
    assert planned.url == f"/batches/{code}/"
    bench = f"/batches/{code}/bench/"
    first = client.get(bench).content.decode()
    assert "Line 1 of 2" in first
    assert "223.875 to 226.125" in first
    assert client.post(bench, content(lots[1], "225.0")).status_code == 302
    assert "Line 2 of 2" in client.get(bench).content.decode()
    assert client.post(bench, content(lots[2], "25,0")).status_code == 302
    assert "second person" in client.get(bench).content.decode()
    client.force_login(somebody(Role.OPERATOR))
    for weighing in Weighing.objects.all():
        assert client.post(f"/batches/{code}/weighings/{weighing.pk}/check/").status_code == 302
    client.force_login(somebody(Role.CHEMIST))
    assert client.post(f"/batches/{code}/close-weighing/").status_code == 302
    assert "Step 1 of 2" in client.get(bench).content.decode()
    assert client.post(bench, {"speed": "1200", "duration": "10"}).status_code == 302
    second = {"seen_by": somebody(Role.OPERATOR).username, "seen_password": PASSWORD}
    assert client.post(bench, {"pressure": "5", "duration": "5"} | second).status_code == 302
    assert client.post(f"/batches/{code}/finish/", {"yield_mass": "240"}).status_code == 302
    made = Batch.objects.get()
    assert (made.state, made.yield_mass) == ("made", Decimal("0.24"))
    assert not made.deviated


def test_a_lot_in_quarantine_is_not_offered_but_counted_and_refused_at_the_tap(client) -> None:
    batch = make_batch()
    lot = make_lot(batch.lines.order_by("position").first().material)
    client.force_login(somebody(Role.CHEMIST))
    page = client.get(f"/batches/{batch.code}/bench/").content.decode()
    assert f"1 lot not offered: 1 quarantine ({lot.code})" in page
    response = client.post(f"/batches/{batch.code}/bench/", content(lot, "225"))
    assert response.status_code == 409
    assert "only a released lot can be weighed" in response.content.decode()


def test_a_slip_of_units_is_asked_about_and_taken_when_meant(client) -> None:
    batch = make_batch()
    lot = make_released_lot(batch.lines.order_by("position").first().material)
    client.force_login(somebody(Role.CHEMIST))
    response = client.post(f"/batches/{batch.code}/bench/", content(lot, "22.50"))
    assert response.status_code == 422
    page = response.content.decode()
    assert "this number is meant" in page
    assert 'value="22.50"' in page
    meant = content(lot, "22.50", meant="on", more="on")
    assert client.post(f"/batches/{batch.code}/bench/", meant).status_code == 302


def test_outside_the_tolerance_the_page_asks_for_the_reason(client) -> None:
    batch = make_batch()
    lot = make_released_lot(batch.lines.order_by("position").first().material)
    client.force_login(somebody(Role.CHEMIST))
    response = client.post(f"/batches/{batch.code}/bench/", content(lot, "227"))
    assert response.status_code == 422
    assert "off by +0.89 %" in response.content.decode()
    assert client.post(f"/batches/{batch.code}/bench/", content(lot, "227", reason="slipped")).status_code == 302


def test_a_rig_scanned_for_a_lot_names_both_kinds(client) -> None:
    batch = make_batch()
    client.force_login(somebody(Role.CHEMIST))
    response = client.post(f"/batches/{batch.code}/bench/", {"lot": "RIG-03", "net": "225", "balance": "BAL-01"})
    assert response.status_code == 422
    assert "RIG-03 is a rig; a lot is expected here." in response.content.decode()


@pytest.mark.parametrize("role", [Role.OPERATOR, Role.MANAGER])
def test_composition_is_not_shown_without_the_right_to_recipes(client, role: Role) -> None:
    batch = weigh_all(make_batch())
    client.force_login(person(role, username="reader"))
    page = client.get(f"/batches/{batch.code}/").content.decode()
    assert page
    assert "As made" not in page
    assert "silicone fluid" not in page.split("<h2>History</h2>")[0].split("Came from")[1].split("Went into")[1]
    assert not AMOUNT.search(page)
    client.force_login(person(Role.CHEMIST, username="chemist-reading"))
    assert AMOUNT.search(client.get(f"/batches/{batch.code}/").content.decode())


@pytest.mark.parametrize("role", [None, Role.ADMINISTRATOR])
def test_who_may_not_read_the_laboratory_sees_no_batch(client, role) -> None:
    batch = make_batch()
    client.force_login(person(role, username="reader"))
    for address in ("/batches/", f"/batches/{batch.code}/", f"/batches/{batch.code}/bench/"):
        assert client.get(address).status_code == 403


def test_what_is_missing_is_seen_before_quality_begins_and_a_reason_releases(client) -> None:
    batch = make_made_batch()
    client.force_login(somebody(Role.OPERATOR))
    client.post(f"/batches/{batch.code}/start-test/")
    client.force_login(somebody(Role.QUALITY))
    page = client.get(f"/batches/{batch.code}/").content.decode()
    assert "No specification is in force" in page
    refused = client.post(f"/batches/{batch.code}/release/", {"password": PASSWORD, "reason": ""})
    assert refused.status_code == 422
    sent = {"password": PASSWORD, "reason": "a trial for one customer"}
    assert client.post(f"/batches/{batch.code}/release/", sent).status_code == 302
    page = client.get(f"/batches/{batch.code}/").content.decode()
    assert "signed released by" in page


def test_rows_are_added_to_an_exploratory_batch_without_losing_what_was_typed(client) -> None:
    lot = make_lot()
    client.force_login(somebody(Role.CHEMIST))
    typed = {
        "name": "a try",
        "target_mass": "100",
        "lines-TOTAL_FORMS": "1",
        "lines-INITIAL_FORMS": "0",
        "lines-0-material": lot.material.code,
        "lines-0-percent": "100",
        "lines-0-tolerance": "0.5",
        "lines-0-outer": "2",
        "steps-TOTAL_FORMS": "1",
        "steps-INITIAL_FORMS": "0",
        "steps-0-instruction": "stir by hand",
        "steps-0-tolerance": "10",
    }
    more = client.post("/batches/explore/", typed | {"add": "lines"}).content.decode()
    assert "stir by hand" in more
    assert 'name="lines-TOTAL_FORMS" value="4"' in more
    assert client.post("/batches/explore/", typed).status_code == 302
    made = Batch.objects.get()
    assert made.exploratory
    assert made.frozen["steps"][0]["instruction"] == "stir by hand"


def test_the_batch_record_marks_a_changed_weight_with_a_footnote_and_an_unchanged_one_says_so(client) -> None:
    # FRM-10
    batch = weigh_all(make_batch())
    client.force_login(somebody(Role.CHEMIST))
    address = f"/batches/{batch.code}/print/"
    before = client.get(address).content.decode()
    assert "no changes since entry" in before
    assert "frozen at planning" in before
    first = Weighing.objects.order_by("id").first()
    client.post(f"/batches/{batch.code}/weighings/{first.pk}/correct/", {"net": "225.4", "reason": "read 0 for 4"})
    after = client.get(address).content.decode()
    assert "no changes since entry" not in after
    assert '<sup><a href="#note-1">1</a></sup>' in after
    assert "225 g of" in after
    assert "225.4 g of" in after
    assert "read 0 for 4" in after
    paper = PdfReader(io.BytesIO(client.get(f"/batches/{batch.code}/record.pdf").content))
    words = " ".join(" ".join(page.extract_text() for page in paper.pages).split())
    assert "225.4 [1]" in words
    assert "[1] line 1, weighed: 225 g of" in words
    client.force_login(somebody(Role.OPERATOR))
    assert client.get(f"/batches/{batch.code}/record.pdf").status_code == 403


def test_a_test_is_corrected_by_page_and_the_old_entry_becomes_a_note(client) -> None:
    batch = weigh_all(make_batch())
    client.force_login(somebody(Role.CHEMIST))
    sent = {"test": "density", "value": "2.7", "good": "on"}
    assert client.post(f"/batches/{batch.code}/test/", sent).status_code == 302
    link = f"/batches/{batch.code}/tests/{batch.batchtests.get().pk}/correct/"
    assert link in client.get(f"/batches/{batch.code}/").content.decode()
    assert client.post(link, sent | {"value": "2.8"}).status_code == 422
    assert client.post(link, sent | {"value": "2.8", "reason": "cup not full"}).status_code == 302
    assert "2.7 g/cm^3 became 2.8 g/cm^3" in client.get(f"/batches/{batch.code}/print/").content.decode()


def test_a_lot_scanned_at_the_bench_leads_to_its_line_and_another_material_is_named(client) -> None:
    batch = make_batch()
    two = batch.lines.get(position=2)
    client.force_login(somebody(Role.CHEMIST))
    scan = f"/batches/{batch.code}/bench/scan/"
    assert "line=2" in client.get(scan, {"lot": make_released_lot(two.material).code}).url
    refused = client.get(scan, {"lot": make_released_lot(make_material("zinc oxide")).code})
    assert refused.status_code == 422
    assert "zinc oxide" in refused.content.decode()
    assert two.material.name in refused.content.decode()
