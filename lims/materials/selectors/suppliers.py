"""Read suppliers: whether they are approved for a material, until when, and what waits to be evaluated again."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from django.db.models import Q, QuerySet
from django.utils import timezone

from lims.accounts.acts import require
from lims.accounts.models import User
from lims.core.finding import by_code
from lims.materials.gs1 import Symbol, read_symbol
from lims.materials.models import Material, ProductCode, Supplier, SupplierEvaluation


def get_supplier_for(user: User, code: str) -> Supplier:
    """One supplier."""
    require(user, "laboratory.read")
    return by_code(Supplier.objects.all(), code, "supplier")


def suppliers(*, text: str = "") -> QuerySet[Supplier]:
    """Every supplier, narrowed by a part of its name."""
    return Supplier.objects.filter(Q(name__icontains=text) | Q(code__iexact=text)) if text else Supplier.objects.all()


@dataclass(frozen=True, slots=True)
class SupplierStanding:
    """Where a supplier stands: approved or not, since when, until when. `material` None: for all it delivers."""

    approved: bool
    supplier: Supplier
    material: Material | None = None
    evaluated_on: date | None = None
    again_on: date | None = None

    @property
    def overdue(self) -> bool:
        """Whether an approval should have been looked at again by now."""
        return self.approved and self.again_on is not None and self.again_on < timezone.localdate()

    @property
    def words(self) -> str:
        """For what it stands."""
        return self.material.name if self.material else "all it delivers"


def standing_of(supplier: Supplier, material: Material) -> SupplierStanding:
    """Where a supplier stands for a material: its newest evaluation for that material, else that for all."""
    row = SupplierEvaluation.objects.filter(supplier=supplier, material=material).order_by("-id").first()
    if row is not None:
        return SupplierStanding(row.approved, supplier, material, row.on, row.again_on)
    return SupplierStanding(supplier.approved, supplier, None, supplier.evaluated_on, supplier.evaluate_again_on)


def standings_of(supplier: Supplier) -> list[SupplierStanding]:
    """Where a supplier stands: for all it delivers, then material by material."""
    rows = _newest().filter(supplier=supplier).exclude(material=None).select_related("material")
    general = SupplierStanding(supplier.approved, supplier, None, supplier.evaluated_on, supplier.evaluate_again_on)
    each = [SupplierStanding(row.approved, supplier, row.material, row.on, row.again_on) for row in rows]
    return [general, *sorted(each, key=lambda one: one.words)]


def _newest() -> QuerySet[SupplierEvaluation]:
    """The newest evaluation of each supplier for each material, and for all."""
    newest = SupplierEvaluation.objects.order_by("supplier_id", "material_id", "-id").distinct(
        "supplier_id", "material_id"
    )
    return SupplierEvaluation.objects.filter(pk__in=newest.values("pk"))


def evaluations_of(supplier: Supplier) -> QuerySet[SupplierEvaluation]:
    """Every evaluation of a supplier, newest first."""
    return supplier.evaluations.select_related("material", "by", "file").order_by("-id")


def suppliers_overdue() -> list[SupplierStanding]:
    """Approvals that should have been looked at again by now, longest overdue first."""
    today = timezone.localdate()
    general = Supplier.objects.filter(approved=True, evaluate_again_on__lt=today)
    rows = _newest().filter(outcome="approved", again_on__lt=today).exclude(material=None)
    found = [SupplierStanding(True, s, None, s.evaluated_on, s.evaluate_again_on) for s in general]
    found += [
        SupplierStanding(True, row.supplier, row.material, row.on, row.again_on)
        for row in rows.select_related("supplier", "material")
    ]
    return sorted(found, key=lambda one: one.again_on or today)


def product_called(gtin: str) -> ProductCode | None:
    """What a product code stands for, where a delivery with it was received before."""
    return ProductCode.objects.filter(gtin=gtin).select_related("material", "supplier").first()


def symbol_in(text: str) -> Symbol:
    """What a supplier's symbol says, read today; Invalid names what cannot be read."""
    return read_symbol(text, today=timezone.localdate())
