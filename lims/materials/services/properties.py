"""Keep what was measured of a lot: the supplier's values and our own stand side by side, neither replaces the other."""

from __future__ import annotations

import math
from typing import TypedDict, Unpack

from lims.accounts.acts import act
from lims.accounts.models import User
from lims.audit.recording import note_change
from lims.core.errors import Conflict, Invalid
from lims.core.machines import locked, state_words
from lims.core.quantities import as_entered, spread_to_si, to_si
from lims.materials.configured import Property
from lims.materials.kinds import property_of
from lims.materials.models import Lot, LotProperty
from lims.materials.states import LotState

CLOSED = (LotState.DISPOSED, LotState.VOID)


class ResultDetails(TypedDict, total=False):
    """What stands beside a value: standard uncertainty in the same unit, degrees of freedom, method, correction."""

    u: float | None
    dof: float | None
    method: str
    replaces: LotProperty | None
    reason: str


@act("lot.add_result")
def add_lot_property(
    lot: Lot,
    *,
    actor: User,
    quantity: str,
    value: float,
    unit: str,
    source: str = LotProperty.Source.OWN,
    **details: Unpack[ResultDetails],
) -> LotProperty:
    """Enter one measured value of a lot, `value` and `u` in `unit`. A correction names what it replaces, and why."""
    known = property_of(quantity)
    entered = as_entered(value, unit=unit, of=known.dimension)
    _check_range(known, entered.value, unit=unit)
    u = details.get("u")
    spread = None if u is None else _spread(known, u, unit=unit)
    fresh = locked(lot)
    if fresh.state in CLOSED:
        raise Conflict(f"{lot.code} is {state_words(fresh)}; nothing can be added.", code="lot-closed")
    replaced = details.get("replaces")
    if replaced is not None:
        _check_replaced(replaced, lot=fresh, quantity=quantity, source=source, reason=details.get("reason", ""))
    row = LotProperty(
        lot=fresh,
        quantity=quantity,
        value=entered.value,
        u=spread,
        dof=details.get("dof"),
        as_entered=entered.text + (f" (u {u:g})" if u is not None else ""),
        method=details.get("method", "").strip(),
        source=source,
        entered_by=actor,
        replaces=replaced,
        reason=details.get("reason", "").strip(),
    )
    row.full_clean()
    row.save()
    note_change(row, {quantity: (replaced.as_entered if replaced else None, row.as_entered)})
    return row


def _check_range(known: Property, value: float, *, unit: str) -> None:
    if known.least <= value <= known.most:
        return
    low, high = (f"{end:g}" for end in (known.least, known.most))
    raise Invalid(
        f"{known.label}: {value:g} (SI) is outside what is physically possible.",
        code="out-of-range",
        fields={"value": [f"Expected {low} to {high} in SI units. Is {unit or 'the number one'} the right unit?"]},
    )


def _spread(known: Property, u: float, *, unit: str) -> float:
    if not math.isfinite(u) or u < 0:
        raise Invalid("An uncertainty cannot be negative.", fields={"u": ["Zero or more is expected."]})
    to_si(u, unit=unit, of=known.dimension, field="u")
    return spread_to_si(u, unit=unit, of=known.dimension)


def _check_replaced(replaced: LotProperty, *, lot: Lot, quantity: str, source: str, reason: str) -> None:
    if (replaced.lot_id, replaced.quantity, replaced.source) != (lot.pk, quantity, source):
        raise Invalid("A correction stays with the lot, the property and the source of what it corrects.")
    if not reason.strip():
        raise Invalid("Say why.", fields={"reason": ["A correction needs a reason."]})
    if hasattr(replaced, "replaced_by"):
        raise Conflict("This value was corrected already.", code="corrected-already")
