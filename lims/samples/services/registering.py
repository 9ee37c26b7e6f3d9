"""Register samples: from a batch, from a lot, from outside, or as a portion of another; take or refuse them."""

from __future__ import annotations

from datetime import date, datetime
from decimal import Decimal
from typing import Any, TypedDict, Unpack

from django.utils import timezone

from lims.accounts.acts import act
from lims.accounts.models import User
from lims.cases.services import refuse_if_held
from lims.core.codes import next_code
from lims.core.errors import Conflict, Invalid
from lims.core.machines import advance, locked
from lims.formulations.models import Batch
from lims.formulations.states import SAMPLED_FROM
from lims.materials.models import Lot, StockMove
from lims.materials.services import move_stock
from lims.materials.states import LotState
from lims.samples.models import CustodyEvent, Sample
from lims.samples.services.custody import add_event, draw
from lims.samples.states import MACHINE

NOT_SAMPLED = (LotState.DISPOSED, LotState.VOID)
COPIED = ("name", "origin", "batch", "lot", "material_kind", "reference", "taken_at", "taken_by", "place", "plan")
COPIED_TOO = ("condition", "storage", "expires_on", "hold_limit_hours", "equipment", "deviations")


class SampleFacts(TypedDict, total=False):
    """What is said of a sample when it is taken (ISO/IEC 17025:2017, 7.3.3)."""

    name: str
    taken_by: User
    material_kind: str
    reference: bool
    place: str
    plan: str
    container: str
    condition: str
    storage: str
    location: str
    expires_on: date | None
    hold_limit_hours: float | None
    equipment: str
    deviations: str


@act("sample.register")
def register_sample(
    *,
    actor: User,
    taken_at: datetime | None,
    amount: Decimal,
    source: Batch | Lot | None = None,
    into_custody: bool = True,
    **facts: Unpack[SampleFacts],
) -> Sample:
    """Register a sample of `amount` [kg] taken from a batch or a lot, or received from outside (no `source`).

    It goes into the actor's custody at once, unless said otherwise. What is taken from a lot leaves its stock.
    """
    taken = checked(taken_at, amount, facts)
    sample = Sample(
        code=next_code("sample"), amount=amount, taken_at=taken, **{"taken_by": actor, **origin_of(source), **facts}
    )
    sample.name = facts.get("name", "").strip() or name_of(source)
    sample.save()
    if isinstance(source, Lot):
        move_stock(source, mass=-amount, kind=StockMove.Kind.SAMPLE, by=actor, cause=sample.code)
    return take(sample, actor) if into_custody else sample


def checked(taken_at: datetime | None, amount: Decimal, facts: SampleFacts) -> datetime:
    """When it was taken; refuses a sample that is not described in full."""
    problems: dict[str, list[str]] = {}
    if taken_at is None:
        problems["taken_at"] = ["Say when it was taken."]
    elif taken_at > timezone.now():
        problems["taken_at"] = ["A sample cannot be taken in the future."]
    if not amount > 0:
        problems["amount"] = ["More than nothing is expected."]
    for name, words in (("container", "Say what it is kept in."), ("condition", "Say what it looks like.")):
        if not str(facts.get(name, "")).strip():
            problems[name] = [words]
    if problems or taken_at is None:
        raise Invalid("The sample is not described in full.", fields=problems)
    return taken_at


def name_of(source: Batch | Lot | None) -> str:
    """What a sample of a batch or a lot is called unless it is named."""
    if isinstance(source, Batch):
        return source.name
    return source.material.name if source else ""


def origin_of(source: Batch | Lot | None) -> dict[str, Any]:
    """The fields that say where a sample comes from, its source locked; refuses one that cannot be sampled."""
    if source is None:
        return {"origin": Sample.Origin.OUTSIDE}
    fresh = locked(source)
    if isinstance(fresh, Batch):
        if fresh.state not in SAMPLED_FROM:
            raise Conflict(
                f"{fresh.code} is {fresh.get_state_display()}; a sample is taken once it is made.",
                code="batch-not-made",
                next_step="Finish the batch first.",
            )
        return {"origin": Sample.Origin.BATCH, "batch": fresh}
    if fresh.state in NOT_SAMPLED:
        raise Conflict(f"{fresh.code} is {fresh.get_state_display()}; there is nothing to sample.", code="lot-gone")
    return {"origin": Sample.Origin.LOT, "lot": fresh}


def take(sample: Sample, actor: User, *, location: str = "", condition: str = "") -> Sample:
    """Take a registered sample into the actor's custody, inside an act."""
    fresh: Sample = advance(sample, MACHINE, "take")
    if not (location or fresh.location).strip():
        raise Invalid("Say where it is kept.", fields={"location": ["A place is expected."]})
    fresh.location = (location or fresh.location).strip()
    outside = fresh.origin == Sample.Origin.OUTSIDE  # a blind one is taken, whatever it is
    add_event(
        fresh,
        CustodyEvent.Kind.RECEIVE if outside else CustodyEvent.Kind.TAKE,
        by=actor,
        location=fresh.location,
        condition=condition or fresh.condition,
    )
    fresh.save()
    return fresh


@act("sample.register")
def take_sample(sample: Sample, *, actor: User, location: str = "", condition: str = "") -> Sample:
    """Take a registered sample into custody, noting its condition at receipt."""
    return take(sample, actor, location=location, condition=condition)


@act("sample.refuse")
def refuse_sample(sample: Sample, *, actor: User, reason: str) -> Sample:
    """Refuse a registered sample whose condition is not acceptable."""
    return _end(sample, "refuse", reason, "Say what is wrong with it.")


@act("sample.void")
def void_sample(sample: Sample, *, actor: User, reason: str) -> Sample:
    """Declare a sample registered by mistake void; its code is never given again."""
    fresh = _end(sample, "void", reason, "Say what the mistake was.")
    if fresh.lot is not None:
        move_stock(fresh.lot, mass=fresh.amount, kind=StockMove.Kind.RETURN, by=actor, cause=fresh.code)
    return fresh


def _end(sample: Sample, move: str, reason: str, words: str) -> Sample:
    if not reason.strip():
        raise Invalid(words, fields={"reason": [words]})
    fresh: Sample = advance(sample, MACHINE, move)
    fresh.save()
    return fresh


@act("sample.split")
def split_sample(
    sample: Sample, *, actor: User, amount: Decimal, container: str, location: str = "", name: str = ""
) -> Sample:
    """Put a portion of `amount` [kg] of a held sample into its own container: a new sample that keeps its parent."""
    refuse_if_held(sample.record_kind, sample.record_code)
    parent: Sample = advance(sample, MACHINE, "split")
    if parent.is_blind:
        raise Conflict(
            f"{parent.code} is blind; a portion of it would have to be blind as well.",
            code="blind-not-split",
            next_step="Register a second blind sample of the same source, or have this one revealed first.",
        )
    portion = Sample(
        code=next_code("sample"),
        parent=parent,
        amount=amount,
        container=container,
        location=location or parent.location,
        **{field: getattr(parent, field) for field in (*COPIED, *COPIED_TOO)},
    )
    portion.name = name.strip() or parent.name
    draw(parent, by=actor, amount=amount, kind=CustodyEvent.Kind.SPLIT, cause=portion.code)
    portion.save()
    return take(portion, actor)
