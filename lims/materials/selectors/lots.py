"""Read lots, their stock, where they are, and what they were made from."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import timedelta
from decimal import Decimal
from typing import Any

from django.db import connection
from django.db.models import (
    Count,
    DateField,
    DecimalField,
    Exists,
    ExpressionWrapper,
    F,
    OuterRef,
    Q,
    QuerySet,
    Subquery,
    Sum,
)
from django.db.models.functions import Coalesce, Least
from django.utils import timezone

from lims.accounts.acts import require
from lims.accounts.models import User
from lims.cases.models import Hold
from lims.core.codes import expect_kind
from lims.core.errors import NotFound, Refusal
from lims.core.finding import by_code
from lims.materials.models import Lot, LotExtension, LotProperty, Material, Reservation, StockMove, StoragePlace
from lims.materials.states import USABLE, LotState

MASS: DecimalField[Any, Any] = DecimalField(max_digits=14, decimal_places=9)
GONE = (LotState.DISPOSED, LotState.VOID)
EXPIRED = "expired"  # derived, so no state of the database
CONTAINER = re.compile(r"^(LOT-\d+)/(\d+)$")


def get_lot_for(user: User, code: str) -> Lot:
    """One lot with its material, supplier and certificate; by its own code or by that of one of its containers."""
    require(user, "laboratory.read")
    rows = lots_with_stock().select_related(
        "material", "supplier", "certificate", "received_by", "safety_sheet", "place"
    )
    plain = expect_kind(code, "lot")
    of_container = CONTAINER.match(plain)
    found: Lot = by_code(rows, of_container[1] if of_container else plain, "lot")
    if of_container and not 1 <= int(of_container[2]) <= found.containers:
        raise NotFound(f"{found.code} has {found.containers} containers; there is no {plain}.")
    return found


def container_codes(lot: Lot) -> list[str]:
    """The codes of a lot's containers: its own where there is one, else LOT-0042/1, LOT-0042/2."""
    if lot.containers == 1:
        return [lot.code]
    return [f"{lot.code}/{number}" for number in range(1, lot.containers + 1)]


def lots_with_stock() -> QuerySet[Any]:
    """Lots with `on_hand`, `reserved` and `free` [kg], `held` and `last_day`, each from its own rows."""
    holds = Hold.objects.filter(subject_kind="lot", subject_code=OuterRef("code"), lifted_at=None)
    return Lot.objects.annotate(
        on_hand=_total(StockMove),
        reserved=_total(Reservation),
        held=Exists(holds),
        last_day=Least("expires_on", ExpressionWrapper(F("opened_on") + F("in_use_days"), output_field=DateField())),
    ).annotate(free=F("on_hand") - F("reserved"))


def _total(ledger: type[StockMove] | type[Reservation]) -> Coalesce:
    """The sum of a lot's rows [kg]."""
    rows = ledger._default_manager.filter(lot=OuterRef("pk")).order_by().values("lot").annotate(total=Sum("mass"))
    return Coalesce(Subquery(rows.values("total")), Decimal(0), output_field=MASS)


def lots(*, text: str = "", state: str = "", material: str = "") -> QuerySet[Lot]:
    """Lots, newest first, narrowed by code, supplier's number or material's name, by state, by a material's code."""
    rows = lots_with_stock().select_related("material", "supplier", "received_by")
    if text:
        rows = rows.filter(_matching(text))
    if state in LotState.values:
        rows = rows.filter(state=state)
    elif state == EXPIRED:
        rows = rows.filter(last_day__lt=timezone.localdate()).exclude(state__in=GONE)
    if material:
        rows = rows.filter(material__code=material)
    return rows.order_by("-id")


def _matching(text: str) -> Q:
    try:
        return Q(code=expect_kind(text, "lot"))
    except Refusal:
        return Q(supplier_lot__istartswith=text) | Q(material__name__icontains=text)


@dataclass(frozen=True, slots=True)
class LotChoice:
    """What can be weighed of a material: the usable lots, and how many are hidden for which reason."""

    usable: list[Lot]
    hidden: Mapping[str, list[str]] = field(default_factory=dict)

    @property
    def words(self) -> str:
        """How many lots are hidden and why, in one sentence."""
        parts = [f"{len(codes)} {why} ({', '.join(codes[:5])})" for why, codes in self.hidden.items()]
        count = sum(map(len, self.hidden.values()))
        return f"{count} lot{'s' if count != 1 else ''} not offered: {'; '.join(parts)}." if parts else ""


def lots_to_weigh(material: Material, *, cause: str = "") -> LotChoice:
    """The lots of a material that may be weighed now, first to expire first, and why others may not.

    `cause`: the code of the batch they are for; what is kept for it is there for it.
    """
    usable: list[Lot] = []
    hidden: dict[str, list[str]] = {}
    rows = lots_with_stock().filter(material=material).exclude(state__in=GONE)
    kept = {lot.pk: mass for lot, mass in reserved_for(cause)} if cause else {}
    for lot in rows.order_by("id"):
        why = why_not_usable(lot, kept=kept.get(lot.pk, Decimal(0)))
        if why:
            hidden.setdefault(why, []).append(lot.code)
        else:
            usable.append(lot)
    usable.sort(key=lambda lot: (lot.pk not in kept, lot.usable_until is None, lot.usable_until, lot.pk))
    return LotChoice(usable, hidden)


def why_not_usable(lot: Any, *, kept: Decimal = Decimal(0)) -> str:
    """In a word why a lot (of `lots_with_stock`) is not offered, `kept` [kg] of it for the asker; "" where it is."""
    reasons = (
        (lot.state not in USABLE, str(lot.get_state_display()).lower()),
        (lot.expired, "expired"),
        (lot.retest_due, "due for a retest"),
        (lot.held, "on hold"),
        (lot.on_hand <= 0, "used up"),
        (bool(lot.reserved) and lot.free + kept <= 0, "kept for other batches"),
    )
    return next((why for wrong, why in reasons if wrong), "")


def on_hand(lot: Lot) -> Decimal:
    """The sum of a lot's ledger [kg]."""
    return lot.moves.aggregate(total=Sum("mass"))["total"] or Decimal(0)


def ledger_of(lot: Lot) -> QuerySet[StockMove]:
    """The rows of a lot's ledger, oldest first."""
    return lot.moves.select_related("by").order_by("id")


def lot_counts() -> dict[str, int]:
    """How many lots stand in each state."""
    rows = Lot.objects.order_by().values("state").annotate(count=Count("id"))
    return {row["state"]: row["count"] for row in rows}


def lots_to_decide() -> QuerySet[Lot]:
    """Lots that wait for quality: in quarantine or under test, oldest first."""
    return lots_with_stock().filter(state__in=(LotState.QUARANTINE, LotState.UNDER_TEST)).order_by("id")


def lots_lapsing(*, within_days: int = 30) -> QuerySet[Lot]:
    """Usable lots that expire or come up for a retest within some days."""
    until = timezone.localdate() + timedelta(days=within_days)
    rows = lots_with_stock().filter(state__in=USABLE, on_hand__gt=0)
    return rows.filter(Q(last_day__lte=until) | Q(retest_on__lte=until)).order_by("last_day")


# Where a lot came from and what was made of it ------------------------------------------------------------------------

UP = ("from_lot_id", "to_lot_id")
DOWN = ("to_lot_id", "from_lot_id")


@dataclass(frozen=True, slots=True)
class Kin:
    """A lot that another was made from, or that was made of it, and how many steps lie between."""

    lot: Lot
    depth: int

    @property
    def code(self) -> str:
        return self.lot.code


def ancestors_of(lot: Lot) -> list[Kin]:
    """The lots that a lot was made from, in any depth, nearest first."""
    return _kin(lot, UP)


def descendants_of(lot: Lot) -> list[Kin]:
    """The lots that were made of a lot, in any depth, nearest first."""
    return _kin(lot, DOWN)


def _kin(lot: Lot, way: tuple[str, str]) -> list[Kin]:
    here, there = way
    query = (
        "WITH RECURSIVE kin(id, depth) AS (VALUES (%s::bigint, 0) UNION"
        f" SELECT p.{there}, kin.depth + 1 FROM materials_lot_parents p JOIN kin ON p.{here} = kin.id)"
        " SELECT id, MIN(depth) FROM kin WHERE depth > 0 GROUP BY id"
    )
    with connection.cursor() as cursor:
        cursor.execute(query, [lot.pk])
        depths = dict(cursor.fetchall())
    rows = Lot.objects.filter(pk__in=depths).select_related("material")
    return sorted((Kin(row, depths[row.pk]) for row in rows), key=lambda kin: (kin.depth, kin.lot.pk))


@dataclass(frozen=True, slots=True)
class MadeOf:
    """What one parent gave to a lot [kg]."""

    lot: Lot
    mass: Decimal


@dataclass(frozen=True, slots=True)
class Balance:
    """What went into a made lot, what was lost, what came out [kg]; in the ledger the three always close."""

    parts: list[MadeOf]
    given: Decimal
    lost: Decimal

    @property
    def came_out(self) -> Decimal:
        return self.given - self.lost


def balance_of(lot: Lot) -> Balance | None:
    """The mass balance of a lot made here; None for one that was received."""
    if lot.origin == Lot.Origin.RECEIVED:
        return None
    rows = StockMove.objects.filter(cause=lot.code, kind=lot.origin, mass__lt=0).select_related("lot__material")
    parts = [MadeOf(row.lot, -row.mass) for row in rows.order_by("id")]
    own = lot.moves.filter(cause=lot.code)
    given = own.filter(kind=lot.origin).aggregate(total=Sum("mass"))["total"] or Decimal(0)
    lost = own.filter(kind=StockMove.Kind.LOSS).aggregate(total=Sum("mass"))["total"] or Decimal(0)
    return Balance(parts, given, -lost)


def extensions_of(lot: Lot) -> QuerySet[LotExtension]:
    """The longer lives of a lot, newest first."""
    return lot.extensions.select_related("by", "signature").prefetch_related("results").order_by("-id")


def retest_results(lot: Lot) -> QuerySet[LotProperty]:
    """Our own results of a lot that stand and that no longer life rests on yet, newest first."""
    rows = lot.properties.filter(source=LotProperty.Source.OWN, replaced_by__isnull=True, extensions__isnull=True)
    return rows.order_by("-id")


# Stock and places -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Kept:
    """What is kept of a lot for one batch [kg]."""

    cause: str
    mass: Decimal


def reservations_of(lot: Lot) -> list[Kept]:
    """What is kept of a lot, batch by batch."""
    rows = lot.reservations.order_by().values("cause").annotate(total=Sum("mass")).filter(total__gt=0)
    return [Kept(row["cause"], row["total"]) for row in rows.order_by("cause")]


def reserved_for(cause: str) -> list[tuple[Lot, Decimal]]:
    """What is kept for one batch: each lot and how much of it [kg]."""
    rows = Reservation.objects.filter(cause=cause).order_by().values("lot").annotate(total=Sum("mass"))
    masses = {row["lot"]: row["total"] for row in rows if row["total"] > 0}
    return [(lot, masses[lot.pk]) for lot in Lot.objects.filter(pk__in=masses).select_related("material")]


def places(*, text: str = "") -> QuerySet[StoragePlace]:
    """Every storage place, by name."""
    rows = StoragePlace.objects.order_by("name")
    return rows.filter(Q(name__icontains=text) | Q(code__iexact=text)) if text else rows


def get_place_for(user: User, code: str) -> StoragePlace:
    """One storage place."""
    require(user, "laboratory.read")
    return by_code(StoragePlace.objects.all(), code, "place")


def lots_in(place: StoragePlace) -> QuerySet[Any]:
    """The lots in a place that are still there."""
    rows = lots_with_stock().filter(place=place, on_hand__gt=0).exclude(state__in=GONE)
    return rows.select_related("material", "received_by").order_by("-id")
