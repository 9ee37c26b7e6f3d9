"""Twenty that receive at once (IDL-01)."""

from __future__ import annotations

from decimal import Decimal
from threading import Thread

from django.db import connection

from lims.accounts.roles import Role
from lims.materials import services
from tests.factories import make_material, make_supplier, somebody


def test_twenty_at_once_get_twenty_codes(committed_db) -> None:
    material, supplier = make_material(), make_supplier()
    operator = somebody(Role.OPERATOR)
    codes: list[str] = []

    def receive() -> None:
        try:
            codes.append(received())
        finally:
            connection.close()

    def received() -> str:
        return services.receive_lot(
            actor=operator,
            material=material,
            supplier=supplier,
            supplier_lot="same",
            mass=Decimal(1),
            storage="dry",
            location="shelf",
        ).code

    threads = [Thread(target=receive) for _ in range(20)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(set(codes)) == 20
