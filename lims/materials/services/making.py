"""Make lots from lots: split one, blend several, treat in the house. What goes out of the parents comes into the child.

The child is in quarantine until quality decides on it, keeps its parents for ever, and lasts no longer than they do.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import TypedDict, Unpack

from django.utils import timezone

from lims.accounts.acts import act
from lims.accounts.models import User
from lims.audit.recording import note_change
from lims.cases.services import refuse_if_held
from lims.core.codes import next_code
from lims.core.errors import Conflict, Invalid
from lims.core.machines import locked, state_words
from lims.core.quantities import show_mass, to_microgram
from lims.materials.models import Lot, Material, StockMove
from lims.materials.services.places import place_called
from lims.materials.services.stock import move_stock
from lims.materials.states import LotState

NEVER_PARENT = (LotState.REJECTED, LotState.DISPOSED, LotState.VOID)


@dataclass(frozen=True, slots=True)
class Part:
    """What goes into a new lot: a lot, and how much of it [kg]."""

    lot: Lot
    mass: Decimal


class MadeDetails(TypedDict, total=False):
    """Where the new lot is kept and how long it lasts; what is not told is as with its first parent."""

    storage: str
    location: str
    containers: int
    expires_on: date | None
    retest_on: date | None
    in_use_days: int | None
    remarks: str


@act("lot.split")
def split_lot(lot: Lot, *, actor: User, mass: Decimal, **details: Unpack[MadeDetails]) -> Lot:
    """Part `mass` [kg] of a lot off as a lot of its own, of the same material, without loss."""
    made = _Made(Lot.Origin.SPLIT, lot.material, "")
    return _make(made, [Part(lot, mass)], actor=actor, details=details)


@act("lot.blend")
def blend_lots(
    parts: Sequence[Part],
    *,
    actor: User,
    how: str,
    material: Material | None = None,
    yielded: Decimal | None = None,
    **details: Unpack[MadeDetails],
) -> Lot:
    """Blend two or more lots; `material` is asked for where they are of different ones. `yielded` [kg] came out."""
    if len({part.lot.pk for part in parts}) < 2:
        raise Invalid("A blend has two lots or more.", fields={"parts": ["Name another lot, each once."]})
    materials = {part.lot.material for part in parts}
    if material is None and len(materials) > 1:
        words = ", ".join(sorted(m.name for m in materials))
        raise Invalid(f"These are different materials: {words}.", fields={"material": ["Say what the blend is."]})
    made = _Made(Lot.Origin.BLEND, material or next(iter(materials)), _told(how), yielded)
    return _make(made, parts, actor=actor, details=details)


@act("lot.treat")
def treat_lot(
    parts: Sequence[Part],
    *,
    actor: User,
    how: str,
    yielded: Decimal,
    material: Material | None = None,
    **details: Unpack[MadeDetails],
) -> Lot:
    """Treat a lot in the house: dry, sieve, mill, coat, with all that went into it; `yielded` [kg] came out."""
    if not parts:
        raise Invalid("Name the lot that was treated.", fields={"parts": ["A lot is expected."]})
    made = _Made(Lot.Origin.TREATMENT, material or parts[0].lot.material, _told(how), yielded)
    return _make(made, parts, actor=actor, details=details)


@dataclass(frozen=True, slots=True)
class _Made:
    """What is made, of which material, how, and how much came out [kg]; None: all that went in."""

    origin: Lot.Origin
    material: Material
    how: str
    yielded: Decimal | None = None


def _told(how: str) -> str:
    if not how.strip():
        raise Invalid("Say how it was made.", fields={"how": ["Vessel, time, temperature, settings."]})
    return how.strip()


def _make(made: _Made, parts: Sequence[Part], *, actor: User, details: MadeDetails) -> Lot:
    # in one order everywhere, so that two blends of the same lots never wait for each other for ever
    parents = {part.lot.pk: _parent(part.lot) for part in sorted(parts, key=lambda part: part.lot.pk)}
    given = sum((_mass(part.mass) for part in parts), Decimal(0))
    loss = _loss(given, made.yielded)
    lot = _new_lot(made, [parents[part.lot.pk] for part in parts], actor=actor, details=details)
    for part in parts:
        move_stock(parents[part.lot.pk], mass=-_mass(part.mass), kind=made.origin, by=actor, cause=lot.code)
    lot.parents.add(*parents)
    note_change(lot, {"parents": (None, ", ".join(parent.code for parent in parents.values()))})
    move_stock(lot, mass=given, kind=made.origin, by=actor, cause=lot.code)
    if loss:
        move_stock(lot, mass=-loss, kind=StockMove.Kind.LOSS, by=actor, cause=lot.code, reason="lost while it was made")
    return lot


def _parent(lot: Lot) -> Lot:
    fresh = locked(lot)
    if fresh.state in NEVER_PARENT:
        raise Conflict(f"{fresh.code} is {state_words(fresh)}; nothing can be made of it.", code="lot-not-usable")
    refuse_if_held("lot", fresh.code)
    if fresh.expired:
        raise Conflict(f"{fresh.code} expired on {fresh.usable_until}; nothing can be made of it.", code="lot-expired")
    return fresh


def _mass(mass: Decimal) -> Decimal:
    if mass <= 0:
        raise Invalid("More than nothing is expected.", fields={"mass": ["More than nothing is expected."]})
    return to_microgram(mass)


def _loss(given: Decimal, yielded: Decimal | None) -> Decimal:
    if yielded is None:
        return Decimal(0)
    loss = given - _mass(yielded)
    if loss < 0:
        raise Invalid(
            f"{show_mass(yielded)} came out of {show_mass(given)}: more than went in.",
            code="mass-balance",
            fields={"yielded": ["Weigh again, or name what else went in."]},
        )
    return loss


def _new_lot(made: _Made, parents: list[Lot], *, actor: User, details: MadeDetails) -> Lot:
    first, today = parents[0], timezone.localdate()
    split = made.origin == Lot.Origin.SPLIT
    location = (details.get("location") or first.location).strip()
    place = place_called(location)
    lot = Lot(
        code=next_code("lot"),
        origin=made.origin,
        material=made.material,
        supplier=first.supplier if split else None,
        supplier_lot=first.supplier_lot if split else "",
        made_on=first.made_on if split else today,
        made_how=made.how,
        received_on=today,
        received_by=actor,
        containers=details.get("containers") or 1,
        storage=(details.get("storage") or first.storage).strip(),
        location=place.name if place else location,
        place=place,
        expires_on=_earliest("expires_on", details.get("expires_on"), [p.usable_until for p in parents]),
        retest_on=_earliest("retest_on", details.get("retest_on"), [p.retest_on for p in parents]),
        opened_on=today if split and first.opened_on else None,
        in_use_days=details.get("in_use_days") or min((p.in_use_days for p in parents if p.in_use_days), default=None),
        safety_sheet=first.safety_sheet if made.material == first.material else None,
        quarantine_reason=f"made here from {', '.join(p.code for p in parents)}"[:200],
        remarks=details.get("remarks", "").strip(),
    )
    lot.save()
    return lot


def _earliest(field: str, given: date | None, of_parents: list[date | None]) -> date | None:
    """The day that was given, or the parents' earliest; a later one than theirs is refused."""
    last = min((day for day in of_parents if day), default=None)
    if given and last and given > last:
        raise Invalid(
            f"Its parents last until {last}; the new lot cannot last longer.",
            code="longer-than-parents",
            fields={field: [f"{last} or before is expected. A longer life needs a retest."]},
        )
    return given or last
