"""Name suppliers, evaluate them for all they deliver or for one material, take an approval back; know their codes."""

from __future__ import annotations

from datetime import date
from typing import TypedDict, Unpack

from django.utils import timezone

from lims.accounts.acts import act
from lims.accounts.models import User
from lims.core.codes import next_code
from lims.core.errors import Conflict, Invalid
from lims.core.machines import locked
from lims.files.models import StoredFile
from lims.materials.gs1 import check_gtin
from lims.materials.models import Material, ProductCode, Supplier, SupplierEvaluation
from lims.materials.selectors.suppliers import standing_of
from lims.materials.services.parts import need_a_reason, written

Outcome = SupplierEvaluation.Outcome


class EvaluationDetails(TypedDict, total=False):
    """What else stands beside an evaluation; without `material` it is for all that the supplier delivers."""

    material: Material | None
    criteria: str
    evaluate_again_on: date | None
    file: StoredFile | None


@act("supplier.create")
def create_supplier(*, actor: User | None, name: str, remarks: str = "") -> Supplier:
    """Name a supplier; quality approves it afterwards."""
    if Supplier.objects.filter(name__iexact=name.strip()).exists():
        raise Conflict(f"There is a supplier called {name.strip()} already.", code="name-taken", fields=_taken())
    supplier = Supplier(code=next_code("supplier"), name=name.strip(), remarks=remarks.strip())
    supplier.save()
    return supplier


@act("supplier.approve")
def approve_supplier(
    supplier: Supplier, *, actor: User | None, reason: str, **details: Unpack[EvaluationDetails]
) -> Supplier:
    """Approve a supplier on the grounds given in `reason`, until the day on which it is evaluated again."""
    need_a_reason(reason, why="An approval needs its grounds.")
    again = details.get("evaluate_again_on")
    if again is not None and again <= timezone.localdate():
        late = {"evaluate_again_on": ["A day after today is expected."]}
        raise Invalid("The next evaluation lies in the past.", fields=late)
    return _evaluated(locked(supplier), Outcome.APPROVED, actor=actor, reason=reason, details=details)


@act("supplier.approve")
def withdraw_supplier_approval(
    supplier: Supplier, *, actor: User | None, reason: str, **details: Unpack[EvaluationDetails]
) -> Supplier:
    """Take an approval back, or refuse one; lots received from now on say so."""
    need_a_reason(reason, why="Taking an approval back needs a reason.")
    fresh = locked(supplier)
    if details.get("material") is None and not fresh.approved:
        raise Conflict(f"{fresh.name} is not approved.", code="not-approved")
    details["evaluate_again_on"] = None
    return _evaluated(fresh, Outcome.NOT_APPROVED, actor=actor, reason=reason, details=details)


def _evaluated(
    supplier: Supplier, outcome: Outcome, *, actor: User | None, reason: str, details: EvaluationDetails
) -> Supplier:
    row = SupplierEvaluation(
        supplier=supplier,
        material=details.get("material"),
        outcome=outcome,
        criteria=details.get("criteria", "").strip(),
        findings=reason.strip(),
        on=timezone.localdate(),
        again_on=details.get("evaluate_again_on"),
        file=details.get("file"),
        by=actor,
    )
    written(row, evaluation=f"{row.get_outcome_display()} for {row.material.name if row.material else 'all'}")
    if row.material is None:
        supplier.approved, supplier.evaluated_on, supplier.evaluate_again_on = row.approved, row.on, row.again_on
        supplier.save()
    return supplier


def why_doubtful(supplier: Supplier | None, *, material: Material) -> str:
    """Why a lot of this supplier begins with a doubt; "" where there is none."""
    if supplier is None:
        return "no supplier named"
    standing = standing_of(supplier, material)
    if not standing.approved:
        return "supplier not approved"
    return "evaluation of the supplier is overdue" if standing.overdue else ""


def learn_product_code(gtin: str, *, material: Material, supplier: Supplier | None, by: User) -> ProductCode | None:
    """Remember what a product code stands for, inside an act; refused where it stands for another material."""
    check_gtin(gtin)
    known = ProductCode.objects.filter(gtin=gtin).select_related("material").first()
    if known is not None and known.material_id != material.pk:
        raise Conflict(
            f"The code {gtin} stands for {known.material.name}, not for {material.name}.",
            code="product-code-taken",
            fields={"material": [f"The symbol on the container says {known.material.name}."]},
        )
    if known is not None or supplier is None:
        return known
    return written(ProductCode(gtin=gtin, supplier=supplier, material=material, by=by), product_code=gtin)


def _taken() -> dict[str, list[str]]:
    return {"name": ["This name is taken."]}
