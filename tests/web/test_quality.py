"""Decisions, specifications and nonconformances by page."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.utils import timezone

from lims.accounts.roles import Role
from lims.cases.models import Nonconformance
from lims.cases.states import CHECKLIST
from lims.materials import services as materials
from lims.specifications.models import SpecificationVersion
from tests.factories import PASSWORD, make_lot, make_material, make_specification, person, somebody

pytestmark = pytest.mark.django_db


def limits(**changes):
    content = {"name": "limits", "guard_factor": "1", "limits-TOTAL_FORMS": "2", "limits-INITIAL_FORMS": "0"}
    content |= {"limits-0-quantity": "d50", "limits-0-lower": "4", "limits-0-upper": "6,0", "limits-0-unit": "um"}
    return content | {"limits-0-results_required": "1", "limits-1-results_required": "1"} | changes


def test_a_specification_is_written_and_approved_by_another_person(client) -> None:
    material = make_material()
    client.force_login(somebody(Role.CHEMIST))
    assert client.get("/specifications/new/").status_code == 200
    assert client.post("/specifications/new/", limits(subject=material.code)).status_code == 302
    version = SpecificationVersion.objects.get()
    assert version.limits.get().upper == pytest.approx(6e-6)
    client.force_login(somebody(Role.QUALITY))
    assert client.post(f"/specifications/{version.code}/approve/", {"password": PASSWORD}).status_code == 302
    page = client.get(f"/specifications/{version.specification.code}/").content.decode()
    assert "4 to 6 µm" in page
    assert "effective" in page


def test_a_wrong_limit_comes_back_filled(client) -> None:
    client.force_login(somebody(Role.CHEMIST))
    sent = limits(subject=make_material().code, **{"limits-0-upper": "3"})
    response = client.post("/specifications/new/", sent)
    assert response.status_code == 422
    assert "must lie below" in response.content.decode()
    assert 'value="3"' in response.content.decode()


def test_the_lot_page_names_what_is_missing_and_signs_when_nothing_is(client) -> None:
    lot = make_lot()
    make_specification(lot.material)
    quality = somebody(Role.QUALITY)
    client.force_login(quality)
    client.post(f"/lots/{lot.code}/start-test/")
    page = client.get(f"/lots/{lot.code}/").content.decode()
    assert "not evaluable, 0 of 1 results" in page
    assert client.post(f"/lots/{lot.code}/release/", {"password": PASSWORD}).status_code == 409
    client.force_login(somebody(Role.OPERATOR))
    client.post(f"/lots/{lot.code}/add-result/", {"quantity": "d50", "value": "5", "u": "0.1", "source": "own"})
    client.force_login(quality)
    wrong = client.post(f"/lots/{lot.code}/release/", {"password": "guess"})
    assert wrong.status_code == 403
    assert client.post(f"/lots/{lot.code}/release/", {"password": PASSWORD}).status_code == 302
    assert "signed released by" in client.get(f"/lots/{lot.code}/").content.decode()


def test_a_hold_is_placed_and_lifted_on_the_record_page(client) -> None:
    lot = make_lot()
    client.force_login(somebody(Role.OPERATOR))
    assert client.post(f"/lots/{lot.code}/hold/", {"reason": "drum dented"}).status_code == 302
    assert "on hold" in client.get(f"/lots/{lot.code}/").content.decode()
    assert client.post(f"/lots/{lot.code}/lift-hold/", {"reason": "fine"}).status_code == 403
    client.force_login(somebody(Role.QUALITY))
    assert client.post(f"/lots/{lot.code}/start-test/").status_code == 409
    assert client.post(f"/lots/{lot.code}/lift-hold/", {"reason": "only the lid"}).status_code == 302
    assert client.post(f"/lots/{lot.code}/start-test/").status_code == 302


def test_a_nonconformance_is_opened_listed_and_closed(client) -> None:
    lot = make_lot()
    client.force_login(somebody(Role.OPERATOR))
    assert client.post(f"/lots/{lot.code}/open-nonconformance/", {"title": "lumps"}).status_code == 302
    case = Nonconformance.objects.get()
    assert case.code in client.get("/nonconformances/?state=open").content.decode()
    quality, manager, today = somebody(Role.QUALITY), somebody(Role.MANAGER), timezone.localdate().isoformat()
    client.force_login(quality)

    def send(act: str, **sent: str) -> int:
        return client.post(f"/nonconformances/{case.code}/{act}/", sent).status_code

    assert send("close", effectiveness="dry now", password=PASSWORD) == 409
    assert send("start") == 302
    assert send("check-item", item="zero", seen="") == 422
    assert {send("check-item", item=item, seen="as it should be", in_order="on") for item in CHECKLIST} == {302}
    assert send("find-no-cause", finding="nothing on the first look") == 302
    plan = {"kind": "retest", "number": "1", "basis": "each", "acceptance": "below 12", "password": PASSWORD}
    assert send("plan-repeats", runner="nobody", **plan) == 422
    assert send("conclude", finding="all stand", cause_kind="material", cause="damp") == 302
    decided = {"disposition": "rework", "impact": "nothing else", "due_on": today, "password": PASSWORD}
    assert send("decide", owner=manager.username, **decided) == 302
    client.force_login(manager)
    assert send("finish", action="dried", check_on=today) == 302
    client.force_login(quality)
    assert send("close", effectiveness="dry now", password=PASSWORD) == 302
    shown = client.get(f"/nonconformances/{case.code}/").content.decode()
    assert all(words in shown for words in ("damp", "dried", "dry now", "rework", quality.printed_name))


def test_a_lot_is_accepted_under_a_concession_by_two_persons_on_its_page(client) -> None:
    lot = materials.start_lot_test(make_lot(), actor=somebody(Role.QUALITY))
    until = (timezone.localdate() + timedelta(days=9)).isoformat()
    sent = {"formulations": "F-001", "mass": "2,5", "until": until, "reason": "only the tail", "password": PASSWORD}
    client.force_login(somebody(Role.QUALITY))
    assert client.post(f"/lots/{lot.code}/propose-concession/", sent).status_code == 302
    assert client.post(f"/lots/{lot.code}/approve-concession/", {"password": PASSWORD}).status_code == 403
    assert "waits for the second signature" in client.get(f"/lots/{lot.code}/").content.decode()
    client.force_login(somebody(Role.MANAGER))
    assert client.post(f"/lots/{lot.code}/approve-concession/", {"password": PASSWORD}).status_code == 302
    assert "for F-001, at most 2.5 kg, until" in client.get(f"/lots/{lot.code}/").content.decode()


@pytest.mark.parametrize("role", [None, Role.ADMINISTRATOR])
def test_who_may_not_read_the_laboratory_sees_none_of_it(client, role) -> None:
    version = make_specification(make_material())
    client.force_login(person(role, username="reader"))
    for address in ("/specifications/", f"/specifications/{version.code}/", "/nonconformances/"):
        assert client.get(address).status_code == 403
