"""Splits, blends and treatments (MAT-08): parents in any depth, no cycle, and a mass balance that closes."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal

import pytest
from django.db import DatabaseError, IntegrityError, transaction
from django.utils import timezone

from lims.accounts.roles import Role
from lims.audit.selectors import history_of
from lims.cases.services import place_hold
from lims.core.errors import Conflict, Invalid
from lims.materials import selectors, services
from lims.materials.models import Lot, StockMove
from lims.materials.services import Part
from tests.factories import make_lot, make_material, somebody

pytestmark = pytest.mark.django_db


def treat(lot: Lot, mass: str = "2", yielded: str = "1.9", **facts) -> Lot:
    return services.treat_lot(
        [Part(lot, Decimal(mass))],
        actor=somebody(Role.CHEMIST),
        how="dried at 120 °C for 4 h",
        yielded=Decimal(yielded),
        **facts,
    )


def blend(*lots: Lot, mass: str = "1", **facts) -> Lot:
    parts = [Part(lot, Decimal(mass)) for lot in lots]
    return services.blend_lots(parts, actor=somebody(Role.CHEMIST), how="tumbled for 1 h", **facts)


def test_treated_then_blended_the_first_lot_is_found_from_the_last_and_back() -> None:
    first, other = make_lot(), make_lot()
    treated = treat(first)
    blended = blend(treated, other)
    portion = services.split_lot(blended, actor=somebody(Role.OPERATOR), mass=Decimal("0.5"))
    assert [kin.code for kin in selectors.descendants_of(first)] == [treated.code, blended.code, portion.code]
    assert [(kin.code, kin.depth) for kin in selectors.ancestors_of(portion)] == [
        (blended.code, 1),
        (other.code, 2),
        (treated.code, 2),
        (first.code, 3),
    ]
    assert portion.state == "quarantine"
    assert portion.quarantine_reason == f"made here from {blended.code}"
    assert history_of("lot", blended.code)[0].act == "lot.blend"


def test_what_goes_out_of_the_parents_comes_into_the_child_and_the_loss_is_stated() -> None:
    first, other = make_lot(mass="3"), make_lot(mass="4")
    made = blend(first, other, mass="1.5", yielded=Decimal("2.97"))
    assert [selectors.on_hand(lot) for lot in (first, other, made)] == [Decimal("1.5"), Decimal("2.5"), Decimal("2.97")]
    moves = StockMove.objects.filter(cause=made.code)
    assert sum(move.mass for move in moves.exclude(kind="loss")) == 0
    balance = selectors.balance_of(made)
    assert balance is not None
    assert (balance.given, balance.lost, balance.came_out) == (Decimal(3), Decimal("0.03"), Decimal("2.97"))
    given = {part.lot.code: part.mass for part in balance.parts}
    assert given == {first.code: Decimal("1.5"), other.code: Decimal("1.5")}


def test_more_cannot_come_out_than_went_in() -> None:
    with pytest.raises(Invalid, match="more than went in") as refused:
        treat(make_lot(), mass="1", yielded="1.001")
    assert refused.value.code == "mass-balance"


def test_different_materials_need_a_word_what_the_blend_is() -> None:
    first, other = make_lot(), make_lot(make_material("zinc oxide, fine"))
    with pytest.raises(Invalid, match="different materials"):
        blend(first, other)
    blended = blend(first, other, material=make_material("filler blend 7"))
    assert blended.material.name == "filler blend 7"


def test_nothing_is_made_of_a_lot_that_is_rejected_on_hold_or_expired_or_too_small() -> None:
    for change, code in (({"state": "rejected"}, "lot-not-usable"), ({"expires_on": "2020-01-01"}, "lot-expired")):
        lot = make_lot()
        Lot.objects.filter(pk=lot.pk).update(received_on="2019-01-01", **change)
        with pytest.raises(Conflict) as refused:
            treat(lot)
        assert refused.value.code == code
    held = make_lot()
    place_hold(held, actor=somebody(Role.QUALITY), reason="smells")
    with pytest.raises(Conflict, match="on hold"):
        treat(held)
    with pytest.raises(Conflict, match="on hand"):
        treat(make_lot(mass="1"), mass="2")


def test_a_child_lasts_no_longer_than_its_parents() -> None:
    lot = make_lot()
    assert treat(lot).expires_on == lot.expires_on
    with pytest.raises(Invalid, match="cannot last longer"):
        treat(lot, expires_on=lot.expires_on + timedelta(days=1))


def test_the_database_refuses_a_cycle_and_keeps_the_parents() -> None:
    first = make_lot()
    last = treat(treat(first), mass="1.9", yielded="1.8")
    with pytest.raises(IntegrityError, match="cannot come from itself"), transaction.atomic():
        first.parents.add(last)
    with pytest.raises(IntegrityError, match="cannot come from itself"), transaction.atomic():
        first.parents.add(first)
    with pytest.raises(DatabaseError), transaction.atomic():
        last.parents.clear()
    assert selectors.ancestors_of(last)[-1].code == first.code


def test_two_kinds_of_trace_cost_two_queries_whatever_the_depth(django_assert_num_queries) -> None:
    first = last = make_lot()
    for _ in range(12):
        last = treat(last, mass="1", yielded="1")
        services.adjust_stock(last, actor=somebody(Role.QUALITY), mass=Decimal(1), reason="test")
    with django_assert_num_queries(2):
        assert len(selectors.descendants_of(first)) == 12


def test_made_lots_say_where_they_came_from_on_their_day() -> None:
    made = treat(make_lot())
    assert (made.origin, made.made_on, made.supplier_lot) == ("treatment", timezone.localdate(), "")
