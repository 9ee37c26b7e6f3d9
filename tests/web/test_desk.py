"""The receiving desk by page: approvals for one material, and warnings where two meet that must not."""

from __future__ import annotations

from decimal import Decimal

import pytest
from django.utils import timezone

from lims.accounts.roles import Role
from lims.formulations.models import Batch, BatchLine
from lims.materials import services
from tests.factories import (
    make_batch,
    make_blocks,
    make_lot,
    make_material,
    make_released_lot,
    make_rig,
    make_sample,
    make_supplier,
    somebody,
)

pytestmark = pytest.mark.django_db
SECRET = "acid flux of the house"


def test_a_supplier_is_approved_for_one_material_by_page_and_refused_for_it_again(client) -> None:
    supplier, material = make_supplier(approved=False), make_material()
    client.force_login(somebody(Role.QUALITY))
    address = f"/suppliers/{supplier.code}/"
    content = {"material": material.code, "criteria": "three samples", "reason": "all fit"}
    assert client.post(f"{address}approve/", content).status_code == 302
    page = client.get(address).content.decode()
    assert page.count("three samples") == 1
    assert "All it delivers, where nothing else is said" in page
    assert make_lot(material, supplier=supplier).quarantine_reason == ""
    assert client.post(f"{address}withdraw/", {"material": material.code, "reason": "fourth failed"}).status_code == 302
    assert make_lot(material, supplier=supplier).quarantine_reason == "supplier not approved"
    assert client.post(f"{address}approve/", content | {"reason": ""}).status_code == 422


def flux_on_brass():
    """A sample of a batch with a flux in it, and a rig with brass blocks, which the flux corrodes."""
    chemist = somebody(Role.CHEMIST)
    flux = make_material(SECRET, kind="additive")
    services.set_incompatible(flux, actor=chemist, surface="brass", effect="corrodes brass", source="test")
    batch = Batch(code="B-9003", name="flux", exploratory=True, state="made", target_mass=1, frozen={"lines": []})
    batch.planned_by = chemist
    batch.save()
    mass = Decimal("0.1")
    BatchLine(batch=batch, position=1, material=flux, target=mass, tolerance=mass, outer_tolerance=mass).save()
    rig = make_rig(blocks=make_blocks(somebody(Role.RIG_KEEPER), metal="brass"))
    return make_sample(source=batch, name=""), rig


def test_at_the_rig_a_chemist_reads_what_meets_and_an_operator_only_that_something_does(client) -> None:
    sample, rig = flux_on_brass()
    address = f"/applications/new/?sample={sample.code}&rig={rig.code}"
    client.force_login(somebody(Role.CHEMIST))
    page = client.get(address).content.decode()
    assert "Acid flux of the house meets brass" in page
    assert "Corrodes brass" in page
    client.force_login(somebody(Role.OPERATOR))
    page = client.get(address).content.decode()
    assert SECRET not in page.lower()
    assert f"Something in {sample.code} meets brass" in page
    assert "ask a chemist before you go on" in page


def test_at_the_bench_the_first_weighing_of_a_lot_asks_when_it_was_opened(client) -> None:
    batch = make_batch()
    line = batch.lines.order_by("position")[0]
    lot = make_released_lot(line.material, in_use_days=30)
    client.force_login(somebody(Role.CHEMIST))
    address = f"/batches/{batch.code}/bench/"
    assert "first opened" not in client.get(address).content.decode()
    grams = f"{line.target * 1000:f}"
    sent = {"lot": lot.code, "net": grams, "balance": "BAL-01"}
    asked = client.post(address, sent)
    assert asked.status_code == 422
    assert "lasts 30 days once opened. When was it first opened?" in asked.content.decode()
    assert 'name="opened_on"' in asked.content.decode()
    today = timezone.localdate()
    assert client.post(address, sent | {"opened_on": today.isoformat()}).status_code == 302
    lot.refresh_from_db()
    assert lot.opened_on == today
