"""The ledger of a lot's stock: every change is a row, on hand is their sum, and it cannot fall below zero."""

from __future__ import annotations

from decimal import Decimal

from lims.accounts.acts import act
from lims.accounts.models import User
from lims.core.errors import Conflict, Invalid
from lims.core.machines import locked, state_words
from lims.core.quantities import show_mass, to_microgram
from lims.materials.models import Lot, StockMove
from lims.materials.services.parts import need_a_reason, on_hand_now, written
from lims.materials.services.reserving import take_reserved
from lims.materials.states import LotState

COUNTED = (StockMove.Kind.LOSS, StockMove.Kind.ADJUSTMENT)
CLOSED = (LotState.DISPOSED, LotState.VOID)


def move_stock(lot: Lot, *, mass: Decimal, kind: str, by: User | None, cause: str = "", reason: str = "") -> StockMove:
    """Add one row to the ledger of `lot`, inside an act; `mass` in kg, negative when stock goes out.

    The lot's row is locked first, so two that take the last of it at once cannot both have it.
    """
    fresh, mass = locked(lot), to_microgram(mass)
    if mass < 0:
        _require_stock(fresh, -mass, cause=cause, kind=kind)
    move = StockMove(lot=fresh, kind=kind, mass=mass, cause=cause, reason=reason.strip(), by=by)
    # what went into a batch or a blend is a part of a recipe; the ledger shows it to those who may read recipes
    told = cause in ("", fresh.code)
    return written(move, **({"mass": mass, "kind": kind} if told else {}))


def _require_stock(lot: Lot, mass: Decimal, *, cause: str, kind: str) -> None:
    left = on_hand_now(lot)
    if left < mass:
        raise Conflict(
            f"{lot.code} has {show_mass(left)} on hand; {show_mass(mass)} cannot be taken from it.",
            code="not-enough-stock",
            next_step="Take another lot, or ask quality to correct the stock with a reason.",
            on_hand=str(left),
        )
    if kind not in COUNTED:  # what is not there any more cannot be kept for anybody
        take_reserved(lot, mass=mass, left=left, cause=cause)


@act("lot.adjust_stock")
def adjust_stock(lot: Lot, *, actor: User, mass: Decimal, reason: str, loss: bool = False) -> StockMove:
    """Correct the ledger by `mass` [kg] with a reason: found, lost, counted anew."""
    need_a_reason(reason, why="A correction of stock needs a reason.")
    if mass == 0:
        raise Invalid("Nothing to correct.", fields={"mass": ["Write how much more or less there is."]})
    if locked(lot).state in CLOSED:
        raise Conflict(f"{lot.code} is {state_words(lot)}; its ledger is closed.", code="lot-closed")
    kind = StockMove.Kind.LOSS if loss else StockMove.Kind.ADJUSTMENT
    return move_stock(lot, mass=mass, kind=kind, by=actor, reason=reason)
