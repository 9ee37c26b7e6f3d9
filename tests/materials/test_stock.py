"""The ledger of a lot (MAT-06): on hand is its sum, and two at once cannot both have the last of it."""

from __future__ import annotations

import random
from decimal import Decimal
from threading import Barrier, Thread

import pytest
from django.db import DatabaseError, IntegrityError, connection, transaction

from lims.accounts.roles import Role
from lims.core.errors import Conflict, Invalid, NotAllowed
from lims.materials import selectors, services
from lims.materials.models import Lot, StockMove
from tests.factories import make_lot, somebody


@pytest.mark.django_db
def test_taking_more_than_is_there_is_refused_with_both_numbers() -> None:
    lot = make_lot(mass="0.1")
    with pytest.raises(Conflict, match=r"100 g on hand; 100\.001 g") as refused:
        services.move_stock(lot, mass=Decimal("-0.100001"), kind="weighing", by=lot.received_by)
    assert refused.value.code == "not-enough-stock"
    assert selectors.on_hand(lot) == Decimal("0.1")


@pytest.mark.django_db
@pytest.mark.parametrize("operations", [1_000, pytest.param(10_000, marks=pytest.mark.bench)])
def test_on_hand_equals_the_tally_after_thousands_of_random_operations(operations: int) -> None:
    # over a hundred lots, so that the work is done as in a laboratory and not on one ledger of thousands of rows
    lots, rng = [make_lot(mass="5") for _ in range(100)], random.Random(20261125)
    tally = {lot.pk: Decimal(5) for lot in lots}
    refused = 0
    with transaction.atomic():
        for _ in range(operations):
            lot, mass = rng.choice(lots), Decimal(rng.randint(-2_000_000_000, 1_900_000_000) or 1) / 1_000_000_000
            try:
                services.move_stock(lot, mass=mass, kind="adjustment", by=lot.received_by)
            except Conflict:
                assert tally[lot.pk] + mass < 0
                refused += 1
            else:
                tally[lot.pk] += mass
                assert tally[lot.pk] >= 0
    assert refused > 0
    assert {lot.pk: selectors.on_hand(lot) for lot in lots} == tally
    assert StockMove.objects.count() == 100 + operations - refused


@pytest.mark.django_db
def test_the_database_itself_lets_no_ledger_fall_below_nought() -> None:
    lot = make_lot(mass="1")
    with pytest.raises(IntegrityError, match="less than that"), transaction.atomic():
        StockMove.objects.create(lot=lot, kind="adjustment", mass=Decimal("-1.000000001"))


def test_of_two_that_take_the_last_hundred_grams_at_once_exactly_one_has_it(committed_db) -> None:
    lot = make_lot(mass="0.1")
    start, outcomes = Barrier(2), []

    def take() -> None:
        mine = Lot.objects.get(pk=lot.pk)
        start.wait()
        try:
            with transaction.atomic():
                services.move_stock(mine, mass=Decimal("-0.1"), kind="weighing", by=lot.received_by)
        except Conflict as refusal:
            outcomes.append(refusal.code)
        else:
            outcomes.append("taken")
        finally:
            connection.close()

    threads = [Thread(target=take) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(outcomes) == ["not-enough-stock", "taken"]
    assert selectors.on_hand(lot) == 0


@pytest.mark.django_db
def test_a_row_of_the_ledger_can_neither_change_nor_go() -> None:
    move = make_lot().moves.get()
    for sql in (
        "UPDATE materials_stockmove SET mass = 1 WHERE id = %s",
        "DELETE FROM materials_stockmove WHERE id = %s",
    ):
        with pytest.raises(DatabaseError), transaction.atomic(), connection.cursor() as cursor:
            cursor.execute(sql, [move.pk])


@pytest.mark.django_db
def test_quality_corrects_the_stock_only_with_a_reason() -> None:
    lot, quality = make_lot(mass="1"), somebody(Role.QUALITY)
    with pytest.raises(Invalid, match="Say why"):
        services.adjust_stock(lot, actor=quality, mass=Decimal("-0.2"), reason=" ")
    services.adjust_stock(lot, actor=quality, mass=Decimal("-0.2"), reason="spilled at the hood")
    assert selectors.on_hand(lot) == Decimal("0.8")
    assert lot.moves.last().reason == "spilled at the hood"


@pytest.mark.django_db
@pytest.mark.parametrize("role", [role for role in Role if role is not Role.QUALITY])
def test_nobody_else_corrects_the_stock(role: Role) -> None:
    lot = make_lot(mass="1")
    with pytest.raises(NotAllowed):
        services.adjust_stock(lot, actor=somebody(role), mass=Decimal("-0.2"), reason="spilled")
    assert selectors.on_hand(lot) == 1
