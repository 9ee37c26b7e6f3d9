"""Receiving a lot (MAT-01, MAT-02, IDL-01)."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal

import pytest
from django.db import IntegrityError, connection, transaction
from django.utils import timezone

from lims.accounts.roles import Role
from lims.audit.selectors import history_of
from lims.core.errors import Invalid, NotAllowed
from lims.materials import selectors, services
from lims.materials.models import Lot
from tests.factories import make_lot, make_material, make_supplier, person, somebody

pytestmark = pytest.mark.django_db


def test_a_received_lot_stands_in_quarantine_with_its_stock() -> None:
    lot = make_lot(mass="25")
    assert lot.state == "quarantine"
    assert selectors.on_hand(lot) == Decimal("25")
    assert lot.quarantine_reason == ""


def test_a_lot_without_its_number_or_quantity_is_refused_by_field() -> None:
    material = make_material()
    with pytest.raises(Invalid) as refused:
        services.receive_lot(
            actor=somebody(Role.CHEMIST), material=material, supplier=None, supplier_lot=" ", mass=Decimal(0)
        )
    assert set(refused.value.fields) == {"supplier_lot", "mass"}
    assert not Lot.objects.exists()


def test_a_delivery_from_the_future_is_refused() -> None:
    with pytest.raises(Invalid) as refused:
        make_lot(received_on=timezone.localdate() + timedelta(days=1))
    assert "received_on" in refused.value.fields


@pytest.mark.parametrize("case", ["not approved", "overdue", "none"])
def test_a_doubtful_supplier_is_said_at_receipt(case: str) -> None:
    supplier = None if case == "none" else make_supplier(approved=case != "not approved")
    if case == "overdue" and supplier is not None:
        supplier.evaluate_again_on = timezone.localdate() - timedelta(days=1)
        supplier.save()
    lot = make_lot(supplier=supplier)
    expected = {
        "not approved": "supplier not approved",
        "overdue": "evaluation of the supplier is overdue",
        "none": "no supplier named",
    }
    assert lot.quarantine_reason == expected[case]
    assert lot.state == "quarantine"


def test_each_role_receives_only_where_the_table_says_so() -> None:
    material, supplier = make_material(), make_supplier()
    for name, user in {**everybody_new()}.items():
        allowed = name in ("CHEMIST", "OPERATOR", "QUALITY")
        try:
            receive = services.receive_lot(
                actor=user,
                material=material,
                supplier=supplier,
                supplier_lot=name,
                mass=Decimal(1),
                storage="dry",
                location="shelf",
            )
        except NotAllowed:
            assert not allowed, name
        else:
            assert allowed, name
            assert receive.received_by == user


def everybody_new() -> dict[str, object]:
    """One person a role beside those the factories made, and an outsider."""
    return {role.name: person(role, username=f"second-{role.value}") for role in Role} | {"OUTSIDER": person(None)}


def test_a_receipt_leaves_one_entry_in_the_history() -> None:
    lot = make_lot()
    entry = history_of("lot", lot.code).get()
    assert entry.act == "lot.receive"
    assert {"mass", "supplier_lot", "state"} <= {change["field"] for change in entry.changes}


def test_the_same_key_gives_the_same_lot() -> None:
    first = make_lot(key="k-1")
    again = make_lot(key="k-1")
    assert again.pk == first.pk
    assert Lot.objects.count() == 1


def test_a_code_is_never_given_again_after_void() -> None:
    first = make_lot()
    services.void_lot(first, actor=somebody(Role.QUALITY), reason="typed twice")
    assert make_lot().code != first.code


def test_the_database_refuses_the_same_code_twice() -> None:
    first, second = make_lot(), make_lot()
    with pytest.raises(IntegrityError), transaction.atomic(), connection.cursor() as cursor:
        cursor.execute("UPDATE materials_lot SET code = %s WHERE id = %s", [first.code, second.pk])
