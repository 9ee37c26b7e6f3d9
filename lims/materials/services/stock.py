"""The ledger of a lot's stock: every change is a row, on hand is their sum, and it cannot fall below zero."""

from __future__ import annotations

from decimal import Decimal

from django.db.models import Sum

from lims.accounts.acts import act
from lims.accounts.models import User
from lims.audit.recording import note_change
from lims.core.errors import Conflict, Invalid
from lims.core.machines import locked, state_words
from lims.core.quantities import show_mass, to_microgram
from lims.materials.models import Lot, StockMove
from lims.materials.states import LotState

CLOSED = (LotState.DISPOSED, LotState.VOID)


def move_stock(lot: Lot, *, mass: Decimal, kind: str, by: User | None, cause: str = "", reason: str = "") -> StockMove:
    """Add one row to the ledger of `lot`, inside an act; `mass` in kg, negative when stock goes out.

    The lot's row is locked first, so two that take the last of it at once cannot both have it.
    """
    fresh, mass = locked(lot), to_microgram(mass)
    left = on_hand_now(fresh)
    if left + mass < 0:
        raise Conflict(
            f"{fresh.code} has {show_mass(left)} on hand; {show_mass(-mass)} cannot be taken from it.",
            code="not-enough-stock",
            next_step="Take another lot, or ask quality to correct the stock with a reason.",
            on_hand=str(left),
        )
    move = StockMove(lot=fresh, kind=kind, mass=mass, cause=cause, reason=reason.strip(), by=by)
    move.full_clean()
    move.save()
    if cause in ("", fresh.code):
        # what went into a batch stands with the batch's weighing, which only those who may read recipes see
        note_change(move, {"mass": (None, move.mass), "kind": (None, kind)})
    return move


def on_hand_now(lot: Lot) -> Decimal:
    """The sum of the ledger [kg]; true until the transaction ends when the lot's row is locked."""
    return lot.moves.aggregate(total=Sum("mass"))["total"] or Decimal(0)


@act("lot.adjust_stock")
def adjust_stock(lot: Lot, *, actor: User, mass: Decimal, reason: str, loss: bool = False) -> StockMove:
    """Correct the ledger by `mass` [kg] with a reason: found, lost, counted anew."""
    if not reason.strip():
        raise Invalid("Say why.", fields={"reason": ["A correction of stock needs a reason."]})
    if mass == 0:
        raise Invalid("Nothing to correct.", fields={"mass": ["Write how much more or less there is."]})
    if locked(lot).state in CLOSED:
        raise Conflict(f"{lot.code} is {state_words(lot)}; its ledger is closed.", code="lot-closed")
    kind = StockMove.Kind.LOSS if loss else StockMove.Kind.ADJUSTMENT
    return move_stock(lot, mass=mass, kind=kind, by=actor, reason=reason)
