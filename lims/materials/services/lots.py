"""Receive lots and lead them through their states, but for quality's decision (lims.quality)."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from decimal import Decimal
from typing import Any, TypedDict, Unpack

from django.utils import timezone

from lims.accounts.acts import act
from lims.accounts.models import User
from lims.cases.selectors import open_nonconformances
from lims.cases.services import refuse_if_held
from lims.core.codes import next_code
from lims.core.errors import Conflict, Invalid
from lims.core.machines import advance, state_words
from lims.files.models import StoredFile
from lims.materials.models import Lot, Material, SafetySheet, StockMove, Supplier
from lims.materials.services.parts import on_hand_now
from lims.materials.services.places import place_called
from lims.materials.services.reserving import release_all
from lims.materials.services.sheets import newest_sheet
from lims.materials.services.stock import move_stock
from lims.materials.services.suppliers import learn_product_code, why_doubtful
from lims.materials.states import MACHINE, USABLE


class LotDetails(TypedDict, total=False):
    """What else is known of a delivery."""

    received_on: date
    containers: int
    storage: str
    location: str
    retest_on: date | None
    expires_on: date | None
    in_use_days: int | None
    certificate: StoredFile | None
    serial: str
    made_on: date | None
    gtin: str
    safety_sheet: SafetySheet | None
    remarks: str


@act("lot.receive")
def receive_lot(
    *,
    actor: User,
    material: Material,
    supplier: Supplier | None,
    supplier_lot: str,
    mass: Decimal,
    **details: Unpack[LotDetails],
) -> Lot:
    """Receive a delivery of `mass` [kg] into quarantine; its stock and its certificate are kept with it."""
    _check_receipt(supplier_lot=supplier_lot, mass=mass, details=details)
    gtin, place = details.pop("gtin", ""), place_called(details.get("location", ""))
    if place is not None:
        details["location"] = place.name
    lot = Lot(
        code=next_code("lot"),
        material=material,
        supplier=supplier,
        supplier_lot=supplier_lot.strip(),
        received_by=actor,
        quarantine_reason=why_doubtful(supplier, material=material),
        place=place,
        **{"received_on": timezone.localdate(), "safety_sheet": newest_sheet(material, supplier), **details},
    )
    lot.save()
    if gtin:
        learn_product_code(gtin, material=material, supplier=supplier, by=actor)
    move_stock(lot, mass=mass, kind=StockMove.Kind.RECEIPT, by=actor, cause=lot.code)
    return lot


def _check_receipt(*, supplier_lot: str, mass: Decimal, details: LotDetails) -> None:
    problems: dict[str, list[str]] = {}
    if not supplier_lot.strip():
        problems["supplier_lot"] = ["Copy the number from the container."]
    if mass <= 0:
        problems["mass"] = ["More than nothing is expected."]
    received = details.get("received_on")
    if received and received > timezone.localdate():
        problems["received_on"] = ["A delivery cannot come from the future."]
    if problems:
        raise Invalid("The receipt is not complete.", fields=problems)


@act("lot.start_test")
def start_lot_test(lot: Lot, *, actor: User) -> Lot:
    """Take a lot from quarantine into test."""
    fresh = _advanced(lot, "start_test", test_began_at=timezone.now())
    # after the row is locked, so that a hold placed in the same moment is seen
    refuse_if_held("lot", fresh.code)
    return fresh


@act("lot.reassess")
def reassess_lot(lot: Lot, *, actor: User, reason: str) -> Lot:
    """Take a released lot back into test: a doubt, or a longer life to be shown. It cannot be used meanwhile."""
    return _advanced(lot, "reassess", reason=reason, test_began_at=timezone.now())


@act("lot.dispose")
def dispose_lot(lot: Lot, *, actor: User, reason: str) -> Lot:
    """Throw away or return a rejected or quarantined lot; its ledger goes to zero."""
    if open_nonconformances("lot", lot.code).exists():
        raise Conflict(f"{lot.code} stands in an open nonconformance.", code="open-nonconformance")
    fresh = _advanced(lot, "dispose", reason=reason)
    release_all(fresh, by=actor, reason=reason)
    left = on_hand_now(fresh)
    if left:
        move_stock(fresh, mass=-left, kind=StockMove.Kind.LOSS, by=actor, reason=reason)
    return fresh


@act("lot.void")
def void_lot(lot: Lot, *, actor: User, reason: str) -> Lot:
    """Declare a lot entered by mistake void. Its code stays and is never given again."""
    fresh = _advanced(lot, "void", reason=reason)
    used = fresh.moves.exclude(kind__in=(StockMove.Kind.RECEIPT, StockMove.Kind.ADJUSTMENT)).exists()
    if used or fresh.children.exists():
        raise Conflict(
            f"{fresh.code} has been used; it cannot be void.",
            code="lot-used",
            next_step="Reject it and open a nonconformance, so that what it went into is looked at.",
        )
    release_all(fresh, by=actor, reason=reason)
    left = on_hand_now(fresh)
    if left:
        move_stock(fresh, mass=-left, kind=StockMove.Kind.ADJUSTMENT, by=actor, reason=f"void: {reason}")
    return fresh


def _advanced(lot: Lot, name: str, *, reason: str | None = None, **facts: Any) -> Lot:
    if reason is not None and not reason.strip():
        raise Invalid("Say why.", fields={"reason": ["This act needs a reason."]})
    fresh: Lot = advance(lot, MACHINE, name)
    for field, value in facts.items():
        setattr(fresh, field, value)
    fresh.save()
    return fresh


def require_usable(lot: Lot, *, on: date | None = None) -> None:
    """Refuse a lot that may not go into work now; call it with the lot's row locked."""
    for code, message in problems_of(lot, on=on):
        raise Conflict(message, code=code, next_step="Take another lot, or ask quality to decide on this one.")


def problems_of(lot: Lot, *, on: date | None = None) -> Iterable[tuple[str, str]]:
    """Why a lot may not go into work: (code, sentence) for each reason."""
    if lot.state not in USABLE:
        yield (
            "lot-not-released",
            f"{lot.code} is {state_words(lot)}; only a released lot can be weighed.",
        )
    last, today = lot.usable_until, on or timezone.localdate()
    if last is not None and last < today:
        yield "lot-expired", f"{lot.code} expired on {last.isoformat()}."
    elif lot.retest_on is not None and lot.retest_on < today:
        yield "lot-retest-due", f"{lot.code} was to be tested again by {lot.retest_on.isoformat()}."
