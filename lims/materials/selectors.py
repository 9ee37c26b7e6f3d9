"""Read materials, suppliers and lots. What a person may see comes through get_<noun>_for alone."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import timedelta
from decimal import Decimal
from typing import Any

from django.db.models import Count, DecimalField, Exists, OuterRef, Q, QuerySet, Subquery, Sum
from django.db.models.functions import Coalesce
from django.utils import timezone

from lims.accounts.acts import require
from lims.accounts.models import User
from lims.cases.models import Hold
from lims.core.codes import expect_kind
from lims.core.errors import Refusal
from lims.core.finding import by_code
from lims.core.quantities import from_si, si_unit, spread_from_si
from lims.materials.kinds import KINDS, PROPERTIES, property_of
from lims.materials.models import Lot, LotProperty, Material, StockMove, Supplier
from lims.materials.states import USABLE, LotState

MASS: DecimalField[Any, Any] = DecimalField(max_digits=14, decimal_places=9)


def get_material_for(user: User, code: str) -> Material:
    """One material, for those who may read the laboratory's records."""
    require(user, "laboratory.read")
    return by_code(Material.objects.prefetch_related("incompatible"), code, "material")


def get_supplier_for(user: User, code: str) -> Supplier:
    """One supplier."""
    require(user, "laboratory.read")
    return by_code(Supplier.objects.all(), code, "supplier")


def get_lot_for(user: User, code: str) -> Lot:
    """One lot with its material, supplier and certificate."""
    require(user, "laboratory.read")
    rows = lots_with_stock().select_related("material", "supplier", "certificate", "received_by")
    found: Lot = by_code(rows, code, "lot")
    return found


def materials(*, text: str = "", kind: str = "") -> QuerySet[Material]:
    """Every material, narrowed by a part of its name or its code and by kind."""
    rows = Material.objects.order_by("name")
    if text:
        rows = rows.filter(Q(name__icontains=text) | Q(code__iexact=text))
    return rows.filter(kind=kind) if kind else rows


def suppliers(*, text: str = "") -> QuerySet[Supplier]:
    """Every supplier, narrowed by a part of its name."""
    return Supplier.objects.filter(Q(name__icontains=text) | Q(code__iexact=text)) if text else Supplier.objects.all()


def lots_with_stock() -> QuerySet[Any]:
    """Lots with `on_hand` [kg] and `held`, each from its own rows."""
    ledger = StockMove.objects.filter(lot=OuterRef("pk")).order_by().values("lot").annotate(total=Sum("mass"))
    holds = Hold.objects.filter(subject_kind="lot", subject_code=OuterRef("code"), lifted_at=None)
    return Lot.objects.annotate(
        on_hand=Coalesce(Subquery(ledger.values("total")), Decimal(0), output_field=MASS), held=Exists(holds)
    )


def lots(*, text: str = "", state: str = "", material: str = "") -> QuerySet[Lot]:
    """Lots, newest first, narrowed by code, supplier's number or material's name, by state, by a material's code."""
    rows = lots_with_stock().select_related("material", "supplier", "received_by")
    if text:
        rows = rows.filter(_matching(text))
    if state in LotState.values:
        rows = rows.filter(state=state)
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


def lots_to_weigh(material: Material) -> LotChoice:
    """The lots of a material that may be weighed now, first to expire first, and why others may not."""
    usable: list[Lot] = []
    hidden: dict[str, list[str]] = {}
    rows = lots_with_stock().filter(material=material).exclude(state__in=(LotState.DISPOSED, LotState.VOID))
    for lot in rows.order_by("id"):
        why = why_not_usable(lot)
        if why:
            hidden.setdefault(why, []).append(lot.code)
        else:
            usable.append(lot)
    usable.sort(key=lambda lot: (lot.usable_until is None, lot.usable_until, lot.pk))
    return LotChoice(usable, hidden)


def why_not_usable(lot: Any) -> str:
    """In a word why a lot (of `lots_with_stock`) is not offered for weighing; "" where it is."""
    if lot.state not in USABLE:
        return str(lot.get_state_display()).lower()
    if lot.expired:
        return "expired"
    if lot.held:
        return "on hold"
    return "used up" if lot.on_hand <= 0 else ""


def on_hand(lot: Lot) -> Decimal:
    """The sum of a lot's ledger [kg]."""
    return lot.moves.aggregate(total=Sum("mass"))["total"] or Decimal(0)


def ledger_of(lot: Lot) -> QuerySet[StockMove]:
    """The rows of a lot's ledger, oldest first."""
    return lot.moves.select_related("by").order_by("id")


@dataclass(frozen=True, slots=True)
class Result:
    """One value of a lot in the unit it is shown in."""

    row: LotProperty
    value: float
    u: float | None
    unit: str

    @property
    def dof(self) -> float | None:
        return self.row.dof


@dataclass(frozen=True, slots=True)
class Compared:
    """The supplier's value and our own of one property, with their difference and En where both have uncertainty."""

    key: str
    label: str
    unit: str
    supplier: list[Result]
    own: list[Result]

    @property
    def difference(self) -> float | None:
        """Own less supplier's, of the newest of each."""
        return self.own[0].value - self.supplier[0].value if self.own and self.supplier else None

    @property
    def en(self) -> float | None:
        """En number with k = 2 for both (ISO 13528, 9.6): |En| up to 1 agrees within the stated uncertainties."""
        difference = self.difference
        if difference is None or self.own[0].u is None or self.supplier[0].u is None:
            return None
        spread = 2 * math.hypot(self.own[0].u, self.supplier[0].u)
        return difference / spread if spread else None


def results_of(lot: Lot) -> list[Compared]:
    """What was measured of a lot, property by property; corrected values are left out, their corrections stand."""
    rows = lot.properties.filter(replaced_by__isnull=True).select_related("entered_by", "replaces")
    by_key: dict[str, list[LotProperty]] = {}
    for row in rows.order_by("-id"):
        by_key.setdefault(row.quantity, []).append(row)
    usual = KINDS[lot.material.kind].properties if lot.material.kind in KINDS else ()
    return [_compared(key, by_key.get(key, [])) for key in dict.fromkeys((*usual, *by_key))]


def _compared(key: str, rows: Iterable[LotProperty]) -> Compared:
    known = property_of(key)
    results = [shown_result(row) for row in rows]
    supplier = [r for r in results if r.row.source == LotProperty.Source.SUPPLIER]
    own = [r for r in results if r.row.source == LotProperty.Source.OWN]
    return Compared(key, known.label, known.shown, supplier, own)


def shown_result(row: LotProperty) -> Result:
    """A stored value in the unit its property is shown in."""
    known = PROPERTIES[row.quantity]
    spread = None if row.u is None else spread_from_si(row.u, unit=known.shown, of=known.dimension)
    return Result(row, from_si(row.value, unit=known.shown, of=known.dimension), spread, known.shown)


def si_unit_of(row: LotProperty) -> str:
    """The SI unit a stored value is in."""
    return si_unit(PROPERTIES[row.quantity].dimension)


def property_over_lots(material: Material, key: str) -> list[Result]:
    """One property of a material, our own values, lot by lot, oldest first."""
    rows = LotProperty.objects.filter(lot__material=material, quantity=key, replaced_by__isnull=True)
    own = rows.filter(source=LotProperty.Source.OWN)
    return [shown_result(row) for row in own.select_related("lot").order_by("lot_id", "id")]


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
    return rows.filter(Q(expires_on__lte=until) | Q(retest_on__lte=until)).order_by("expires_on")


def suppliers_overdue() -> QuerySet[Supplier]:
    """Approved suppliers whose evaluation is overdue."""
    return Supplier.objects.filter(approved=True, evaluate_again_on__lt=timezone.localdate())
