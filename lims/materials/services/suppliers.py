"""Name suppliers, approve them, take an approval back."""

from __future__ import annotations

from datetime import date

from django.utils import timezone

from lims.accounts.acts import act
from lims.accounts.models import User
from lims.core.codes import next_code
from lims.core.errors import Conflict, Invalid
from lims.core.machines import locked
from lims.materials.models import Supplier


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
    supplier: Supplier, *, actor: User | None, reason: str, evaluate_again_on: date | None = None
) -> Supplier:
    """Approve a supplier on the grounds given in `reason`, until the day on which it is evaluated again."""
    if not reason.strip():
        raise Invalid("Say on what grounds.", fields={"reason": ["An approval needs its grounds."]})
    today = timezone.localdate()
    if evaluate_again_on is not None and evaluate_again_on <= today:
        late = {"evaluate_again_on": ["A day after today is expected."]}
        raise Invalid("The next evaluation lies in the past.", fields=late)
    fresh = locked(supplier)
    fresh.approved, fresh.evaluated_on, fresh.evaluate_again_on = True, today, evaluate_again_on
    fresh.save()
    return fresh


@act("supplier.approve")
def withdraw_supplier_approval(supplier: Supplier, *, actor: User | None, reason: str) -> Supplier:
    """Take an approval back; lots received from now on say so."""
    if not reason.strip():
        raise Invalid("Say why.", fields={"reason": ["Taking an approval back needs a reason."]})
    fresh = locked(supplier)
    if not fresh.approved:
        raise Conflict(f"{fresh.name} is not approved.", code="not-approved")
    fresh.approved, fresh.evaluated_on, fresh.evaluate_again_on = False, timezone.localdate(), None
    fresh.save()
    return fresh


def _taken() -> dict[str, list[str]]:
    return {"name": ["This name is taken."]}
