"""Storage places, and moving lots between them."""

from __future__ import annotations

from lims.accounts.acts import act
from lims.accounts.models import User
from lims.core.codes import expect_kind, next_code
from lims.core.errors import Conflict, Invalid
from lims.core.machines import locked, state_words
from lims.materials.models import Lot, StoragePlace
from lims.materials.states import LotState


@act("place.create")
def create_place(*, actor: User | None, name: str, condition: str, remarks: str = "") -> StoragePlace:
    """Name a place where lots are kept, and its condition."""
    lacking = {
        field: ["This is needed."] for field, text in (("name", name), ("condition", condition)) if not text.strip()
    }
    if lacking:
        raise Invalid("A place needs its name and its condition.", fields=lacking)
    if place_called(name) is not None:
        raise Conflict(
            f"There is a place called {name.strip()} already.", code="name-taken", fields={"name": ["Taken."]}
        )
    place = StoragePlace(
        code=next_code("place"), name=name.strip(), condition=condition.strip(), remarks=remarks.strip()
    )
    place.save()
    return place


def place_called(text: str) -> StoragePlace | None:
    """The place of this name, code or scanned label; None where a location is only words."""
    wanted = text.strip()
    try:
        return StoragePlace.objects.filter(code=expect_kind(wanted, "place")).first()
    except Invalid as refusal:
        # a label was scanned, and it is not that of a place; a shelf may well be called B-12
        if refusal.code == "wrong-kind" and "/c/" in wanted:
            raise Invalid(refusal.message, code="wrong-kind", fields={"location": [refusal.message]}) from refusal
    return StoragePlace.objects.filter(name__iexact=wanted).first()


@act("lot.move")
def move_lot(lot: Lot, *, actor: User, location: str, storage: str = "", reason: str = "") -> Lot:
    """Put a lot in another place. Where the place is known, its condition becomes the lot's unless told otherwise."""
    fresh = locked(lot)
    if not location.strip():
        raise Invalid("Say where to.", fields={"location": ["Scan or write the place."]})
    if fresh.state in (LotState.DISPOSED, LotState.VOID):
        raise Conflict(f"{fresh.code} is {state_words(fresh)}; it is nowhere.", code="lot-closed")
    fresh.place = place_called(location)
    fresh.location = fresh.place.name if fresh.place else location.strip()
    fresh.storage = storage.strip() or (fresh.place.condition if fresh.place else fresh.storage)
    fresh.save()
    return fresh
