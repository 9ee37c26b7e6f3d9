"""The receiving desk: approval per material (MAT-01), safety sheets, what must not meet, places, stock kept."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from threading import Barrier, Thread
from unittest import mock

import pytest
from django.db import IntegrityError, connection, transaction
from django.utils import timezone
from hypothesis import given, settings
from hypothesis import strategies as st

from lims.accounts.roles import Role
from lims.comparisons.waiting import waiting_for
from lims.core.errors import Conflict, Invalid, NotAllowed
from lims.materials import selectors, services
from lims.materials.models import Lot, Reservation
from tests.factories import make_lot, make_material, make_released_lot, make_supplier, somebody

TODAY = timezone.localdate
database = pytest.mark.django_db


@database
def test_a_supplier_is_approved_for_one_material_and_not_for_another() -> None:
    supplier, good, other = make_supplier(approved=False), make_material(), make_material("zinc oxide, fine")
    services.approve_supplier(
        supplier,
        actor=somebody(Role.QUALITY),
        material=good,
        criteria="three samples, certificate of each delivery",
        reason="all three within limits",
        evaluate_again_on=TODAY() + timedelta(days=30),
    )
    assert make_lot(good, supplier=supplier).quarantine_reason == ""
    assert make_lot(other, supplier=supplier).quarantine_reason == "supplier not approved"
    services.withdraw_supplier_approval(supplier, actor=somebody(Role.QUALITY), material=good, reason="fourth failed")
    assert make_lot(good, supplier=supplier).quarantine_reason == "supplier not approved"
    assert [e.outcome for e in selectors.evaluations_of(supplier)] == ["not_approved", "approved"]
    with pytest.raises(NotAllowed):
        services.approve_supplier(supplier, actor=somebody(Role.CHEMIST), material=good, reason="cheap")


@database
def test_an_overdue_evaluation_waits_for_quality_and_is_a_doubt_about_the_next_lot() -> None:
    supplier, material = make_supplier(approved=False), make_material()
    again = TODAY() + timedelta(days=10)
    services.approve_supplier(
        supplier, actor=somebody(Role.QUALITY), material=material, reason="audit", evaluate_again_on=again
    )
    titles = [pile.title for pile in waiting_for(somebody(Role.QUALITY))]
    assert "Suppliers to evaluate again" not in titles
    with mock.patch("django.utils.timezone.localdate", return_value=again + timedelta(days=1)):
        pile = next(p for p in waiting_for(somebody(Role.QUALITY)) if p.title == "Suppliers to evaluate again")
        assert pile.items[0].code == supplier.code
        assert material.name in pile.items[0].note
        assert make_lot(material, supplier=supplier).quarantine_reason == "evaluation of the supplier is overdue"


@database
def test_a_lots_own_sheet_says_its_hazards_and_lots_to_come_have_the_newest() -> None:
    lot = make_lot()
    assert lot.safety_sheet is None
    sheet = services.add_safety_sheet(
        lot.material,
        actor=somebody(Role.CHEMIST),
        source="invented sheet 12, revision 3",
        supplier=lot.supplier,
        signal="warning",
        pictograms=["ghs07", "GHS07"],
        statements=[{"code": "H335", "text": "May irritate the airways"}, {"code": "P261", "text": "Avoid dust"}],
        lot=lot,
    )
    lot.refresh_from_db()
    assert lot.safety_sheet == sheet
    assert lot.hazards == [{"code": "H335", "text": "May irritate the airways"}]
    assert sheet.pictograms == ["GHS07"]
    assert make_lot().safety_sheet == sheet
    for wrong, words in (
        ({"source": " "}, "source"),
        ({"pictograms": ["skull"]}, "pictogram"),
        ({"statements": [{"code": "H3", "text": ""}]}, "hazard code"),
    ):
        content = {"source": "sheet", "statements": []} | wrong
        with pytest.raises(Invalid, match=words):
            services.add_safety_sheet(lot.material, actor=somebody(Role.CHEMIST), **content)


@database
def test_two_that_must_not_meet_are_told_with_their_source_in_one_query(django_assert_num_queries) -> None:
    chemist = somebody(Role.CHEMIST)
    alloy, nitride = make_material("liquid alloy", kind="metal"), make_material("aluminium nitride, fine")
    water, oil = make_material("water", kind="solvent"), make_material("silicone fluid", kind="carrier")
    common = "common practice, no source"
    services.set_incompatible(alloy, actor=chemist, surface="Aluminium", effect="makes it brittle", source=common)
    row = services.set_incompatible(water, actor=chemist, other=nitride, effect="gives off ammonia", source=common)
    with django_assert_num_queries(1):
        found = selectors.warnings_between([nitride, water, oil])
    assert [(w.effect, w.source) for w in found] == [("gives off ammonia", common)]
    assert selectors.warnings_between([alloy, oil]) == []
    (met,) = selectors.warnings_between([alloy], surfaces=["nickel-plated aluminum", "copper"])
    assert met.words == "liquid alloy meets nickel-plated aluminium: makes it brittle"
    with pytest.raises(Conflict, match="stand here already"):
        services.set_incompatible(nitride, actor=chemist, other=water, effect="x", source=common)
    with pytest.raises(Invalid, match="not complete"):
        services.set_incompatible(oil, actor=chemist, other=water, effect="swells", source="")
    services.withdraw_incompatible(row, actor=chemist, reason="wrong water")
    assert selectors.warnings_between([nitride, water]) == []


@database
def test_a_lot_moves_to_a_place_and_takes_its_condition() -> None:
    place = services.create_place(actor=somebody(Role.CHEMIST), name="Cold store", condition="2 to 8 °C")
    lot = services.move_lot(make_lot(), actor=somebody(Role.OPERATOR), location=place.code)
    assert (lot.place, lot.location, lot.storage) == (place, "Cold store", "2 to 8 °C")
    assert [row.code for row in selectors.lots_in(place)] == [lot.code]
    assert make_lot(location="cold store").place == place
    scanned = services.move_lot(lot, actor=somebody(Role.OPERATOR), location=f"http://lab/c/{place.code}")
    assert scanned.place == place
    assert services.move_lot(lot, actor=somebody(Role.OPERATOR), location="my desk").place is None
    with pytest.raises(Invalid, match="LOT-0001 is a lot; a place is expected here"):
        services.move_lot(lot, actor=somebody(Role.OPERATOR), location="http://lab/c/LOT-0001")
    assert services.move_lot(lot, actor=somebody(Role.OPERATOR), location="B-12").location == "B-12"


def take(lot: Lot, mass: str, cause: str) -> None:
    with transaction.atomic():
        services.move_stock(lot, mass=-Decimal(mass), kind="weighing", by=lot.received_by, cause=cause)


@database
def test_what_is_kept_for_one_batch_is_not_free_for_another() -> None:
    lot = make_lot(mass="1")
    services.reserve_stock(lot, mass=Decimal("0.7"), cause="B-0001", by=lot.received_by)
    row = selectors.get_lot_for(somebody(Role.CHEMIST), lot.code)
    assert (row.on_hand, row.reserved, row.free) == (Decimal(1), Decimal("0.7"), Decimal("0.3"))
    with pytest.raises(Conflict) as refused:
        services.reserve_stock(lot, mass=Decimal("0.4"), cause="B-0002", by=lot.received_by)
    assert (refused.value.code, refused.value.extra["free"]) == ("not-enough-stock", "0.300000000")
    with pytest.raises(Conflict) as refused:
        take(lot, "0.31", "B-0002")
    assert refused.value.code == "stock-reserved"
    take(lot, "0.3", "B-0002")
    take(lot, "0.5", "B-0001")
    assert [(kept.cause, kept.mass) for kept in selectors.reservations_of(lot)] == [("B-0001", Decimal("0.2"))]
    assert selectors.reserved_for("B-0001") == [(lot, Decimal("0.2"))]
    services.release_reservation(lot, cause="B-0001", by=lot.received_by, reason="batch given up")
    assert selectors.reservations_of(lot) == []
    assert services.release_reservation(lot, cause="B-0001", by=lot.received_by) is None
    take(lot, "0.2", "B-0003")


@database
def test_a_lot_that_is_kept_is_offered_first_to_its_batch_and_not_to_another() -> None:
    other, kept = make_released_lot(mass="1"), make_released_lot(mass="1")
    services.reserve_stock(kept, mass=Decimal(1), cause="B-0001", by=None)
    own = selectors.lots_to_weigh(kept.material, cause="B-0001")
    assert [lot.code for lot in own.usable] == [kept.code, other.code]
    for_others = selectors.lots_to_weigh(kept.material, cause="B-0002")
    assert [lot.code for lot in for_others.usable] == [other.code]
    assert for_others.words == f"1 lot not offered: 1 kept for other batches ({kept.code})."


@database
def test_the_database_gives_back_no_more_than_is_kept() -> None:
    lot = make_lot()
    services.reserve_stock(lot, mass=Decimal(1), cause="B-0001", by=lot.received_by)
    with pytest.raises(IntegrityError, match="less than that is reserved"), transaction.atomic():
        Reservation.objects.create(lot=lot, cause="B-0002", mass=Decimal("-0.5"))


def test_of_two_that_keep_the_last_of_a_lot_at_once_exactly_one_has_it(committed_db) -> None:
    lot, start, outcomes = make_lot(mass="1"), Barrier(2), []

    def keep(cause: str) -> None:
        start.wait()
        try:
            with transaction.atomic():
                services.reserve_stock(Lot.objects.get(pk=lot.pk), mass=Decimal("0.6"), cause=cause, by=None)
            outcomes.append("kept")
        except Conflict as refusal:
            outcomes.append(refusal.code)
        finally:
            connection.close()

    threads = [Thread(target=keep, args=(cause,)) for cause in ("B-0001", "B-0002")]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(outcomes) == ["kept", "not-enough-stock"]


MOVES = st.lists(
    st.tuples(
        st.sampled_from(["keep", "release", "take", "find", "lose"]),
        st.sampled_from(["B-0001", "B-0002"]),
        st.integers(1, 2_000_000_000),
    ),
    min_size=5,
    max_size=25,
)


@database
@given(moves=MOVES)
@settings(max_examples=15, deadline=None)
def test_whatever_is_done_no_ledger_falls_below_nought_and_on_hand_is_its_sum(moves) -> None:
    with transaction.atomic():
        lot = make_lot(mass="3")
        hand, kept = Decimal(3), {"B-0001": Decimal(0), "B-0002": Decimal(0)}
        for name, cause, micrograms in moves:
            mass = Decimal(micrograms) / 1_000_000_000
            others = sum(kept.values()) - kept[cause]
            try:
                with transaction.atomic():
                    _do(name, lot, mass, cause)
            except Conflict:
                allowed = {
                    "keep": hand - sum(kept.values()) >= mass,
                    "release": kept[cause] >= mass,
                    "take": hand >= mass and (not sum(kept.values()) or hand - others >= mass),
                    "find": True,
                    "lose": hand >= mass,
                }
                assert not allowed[name]
                continue
            used = min(kept[cause], mass) if name == "take" else Decimal(0)
            hand += {"find": mass, "lose": -mass, "take": -mass}.get(name, 0)
            kept[cause] += {"keep": mass, "release": -mass, "take": -used}.get(name, 0)
        row = selectors.get_lot_for(somebody(Role.CHEMIST), lot.code)
        assert row.on_hand == hand == sum(move.mass for move in lot.moves.all())
        assert row.reserved == sum(kept.values())
        assert hand >= 0
        assert min(kept.values()) >= 0


def _do(name: str, lot: Lot, mass: Decimal, cause: str) -> None:
    by = lot.received_by
    if name == "keep":
        services.reserve_stock(lot, mass=mass, cause=cause, by=by)
    elif name == "release":
        services.release_reservation(lot, cause=cause, by=by, mass=mass)
    elif name == "take":
        services.move_stock(lot, mass=-mass, kind="weighing", by=by, cause=cause)
    else:
        services.move_stock(lot, mass=mass if name == "find" else -mass, kind="adjustment", by=by)
