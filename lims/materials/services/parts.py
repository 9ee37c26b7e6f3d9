"""What the services of this noun share."""

from __future__ import annotations

from decimal import Decimal
from typing import Any, TypeVar

from django.db.models import Sum

from lims.audit.recording import note_change
from lims.core.errors import Invalid
from lims.materials.models import Lot
from lims.materials.models.parts import Written

W = TypeVar("W", bound=Written)


def written(row: W, **told: Any) -> W:
    """Check and keep a row that is written once; `told` is what the history says of it."""
    # the records it points at were just read, and constraints are the database's own: asking again takes half the time
    links = {f.name for f in row._meta.concrete_fields if f.is_relation}
    row.full_clean(exclude=links, validate_unique=False, validate_constraints=False)
    row.save()
    if told:
        note_change(row, {name: (None, value) for name, value in told.items()})
    return row


def on_hand_now(lot: Lot) -> Decimal:
    """The sum of the ledger [kg]; true until the transaction ends when the lot's row is locked."""
    return lot.moves.aggregate(total=Sum("mass"))["total"] or Decimal(0)


def need_a_reason(reason: str, *, why: str = "This act needs a reason.") -> str:
    """The reason without blanks around it; refused where there is none."""
    if not reason.strip():
        raise Invalid("Say why.", fields={"reason": [why]})
    return reason.strip()
