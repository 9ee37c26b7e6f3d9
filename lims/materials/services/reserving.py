"""Keep stock of a lot for a planned batch, and give it back. Free is on hand less what is reserved."""

from __future__ import annotations

from decimal import Decimal

from django.db.models import Sum

from lims.accounts.acts import act
from lims.accounts.models import User
from lims.core.errors import Conflict, Invalid
from lims.core.machines import locked
from lims.core.quantities import show_mass, to_microgram
from lims.materials.models import Lot, Reservation
from lims.materials.services.parts import on_hand_now, written


def reserve_stock(lot: Lot, *, mass: Decimal, cause: str, by: User | None, reason: str = "") -> Reservation:
    """Keep `mass` [kg] of `lot` for the batch `cause`, inside an act; refused where less than that is free."""
    fresh, mass = locked(lot), to_microgram(mass)
    if mass <= 0:
        raise Invalid("More than nothing is expected.", fields={"mass": ["More than nothing is expected."]})
    free = on_hand_now(fresh) - reserved_now(fresh)
    if free < mass:
        raise Conflict(
            f"{fresh.code} has {show_mass(free)} free; {show_mass(mass)} cannot be kept for {cause}.",
            code="not-enough-stock",
            next_step="Take another lot, or ask for the release of a reservation.",
            free=str(free),
        )
    return written(Reservation(lot=fresh, mass=mass, cause=cause, reason=reason.strip(), by=by))


def release_reservation(
    lot: Lot, *, cause: str, by: User | None, mass: Decimal | None = None, reason: str = ""
) -> Reservation | None:
    """Give back what is kept of `lot` for `cause`: all that is left of it, or `mass` [kg]; None where nothing is."""
    fresh = locked(lot)
    kept = reserved_now(fresh, cause=cause)
    back = kept if mass is None else to_microgram(mass)
    if back > kept:
        raise Conflict(
            f"{show_mass(kept)} of {fresh.code} is kept for {cause}; {show_mass(back)} cannot be given back.",
            code="not-reserved",
        )
    if not back:
        return None
    return written(Reservation(lot=fresh, mass=-back, cause=cause, reason=reason.strip(), by=by))


@act("lot.give_back")
def give_back_stock(lot: Lot, *, actor: User, cause: str, reason: str) -> Lot:
    """Give back by hand what is kept of a lot for one batch, with a reason: others can take it then."""
    if not reason.strip():
        raise Invalid("Say why.", fields={"reason": ["Giving stock back needs a reason."]})
    if release_reservation(lot, cause=cause, by=actor, reason=reason) is None:
        raise Conflict(f"Nothing of {lot.code} is kept for {cause}.", code="not-reserved")
    return lot


def release_all(lot: Lot, *, by: User | None, reason: str) -> None:
    """Give back everything that is kept of a lot, for whomever."""
    for cause in lot.reservations.values_list("cause", flat=True).distinct().order_by("cause"):
        release_reservation(lot, cause=cause, by=by, reason=reason)


def reserved_now(lot: Lot, *, cause: str | None = None) -> Decimal:
    """What is reserved of a lot [kg], for all or for one batch; true while the lot's row is locked."""
    rows = lot.reservations.all() if cause is None else lot.reservations.filter(cause=cause)
    return rows.aggregate(total=Sum("mass"))["total"] or Decimal(0)


def take_reserved(lot: Lot, *, mass: Decimal, left: Decimal, cause: str) -> None:
    """Before `mass` goes out for `cause`: use up what is kept for it, refuse what is kept for others."""
    kept = reserved_now(lot)
    if not kept:
        return
    own = reserved_now(lot, cause=cause) if cause else Decimal(0)
    if left - (kept - own) < mass:
        raise Conflict(
            f"{lot.code} has {show_mass(left)} on hand, {show_mass(kept - own)} of it kept for others;"
            f" {show_mass(mass)} cannot be taken from it.",
            code="stock-reserved",
            next_step="Take another lot, or ask for the release of a reservation.",
            free=str(left - (kept - own)),
        )
    if used := min(own, mass):
        written(Reservation(lot=lot, mass=-used, cause=cause, reason="taken", by=None))
