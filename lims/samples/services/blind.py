"""Blind samples: registered under a code alone; what they are is kept apart until it is revealed."""

from __future__ import annotations

from datetime import datetime
from decimal import Decimal
from typing import Unpack

from django.utils import timezone

from lims.accounts.acts import act
from lims.accounts.models import User
from lims.core.codes import next_code
from lims.core.errors import Invalid
from lims.core.machines import locked
from lims.formulations.models import Batch
from lims.materials.models import Lot, StockMove
from lims.materials.services import move_stock
from lims.samples.models import BlindIdentity, Sample
from lims.samples.services.registering import SampleFacts, checked, name_of, origin_of, take

BLIND = "blind sample"


@act("sample.blind")
def register_blind_sample(
    *,
    actor: User,
    taken_at: datetime | None,
    amount: Decimal,
    source: Batch | Lot | None = None,
    **facts: Unpack[SampleFacts],
) -> Sample:
    """Register a sample whose name and origin nobody sees but those who may, until it is revealed.

    It is known by its code alone in pages, interface, file names, labels and search, because the sample's own row says
    nothing else.
    """
    taken = checked(taken_at, amount, facts)
    origin = origin_of(source)
    name, reference = facts.pop("name", "").strip() or name_of(source), facts.pop("reference", False)
    if not name:
        raise Invalid("Say what it is.", fields={"name": ["A sample from outside needs a name; it is kept apart."]})
    code = next_code("sample")
    sample = Sample(code=code, name=f"{BLIND} {code}", origin=Sample.Origin.BLIND, amount=amount, taken_at=taken)
    for field, value in {"taken_by": actor, **facts}.items():
        setattr(sample, field, value)
    sample.save()
    identity = BlindIdentity(sample=sample, name=name, reference=reference, kept_by=actor, **origin)
    identity.full_clean()
    identity.save()
    if isinstance(source, Lot):
        # the ledger shows that a sample went, not which
        move_stock(source, mass=-amount, kind=StockMove.Kind.SAMPLE, by=actor, cause=BLIND)
    return take(sample, actor)


def lift_blind(sample: Sample, *, actor: User, reason: str) -> Sample:
    """Give a blind sample its name and origin, inside an act that has checked that this may be."""
    fresh = locked(sample)
    identity = locked(fresh.identity)
    fresh.name, fresh.origin, fresh.reference = identity.name, identity.origin, identity.reference
    fresh.batch, fresh.lot = identity.batch, identity.lot
    fresh.save()
    identity.revealed_by, identity.revealed_at, identity.reason = actor, timezone.now(), reason
    identity.save()
    return fresh
