"""Concessions: two persons accept what is out of limits, within a scope that is enforced where it is used."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from typing import Any

from django.utils import timezone

from lims.accounts.models import User
from lims.audit.recording import note_change
from lims.cases.models import Concession
from lims.cases.selectors import concession_of
from lims.core.errors import Conflict, Invalid, NotAllowed
from lims.core.machines import locked
from lims.signatures.models import Meaning, Signature
from lims.signatures.services import sign


@dataclass(frozen=True, slots=True)
class Scope:
    """What may be done with it: for these formulations (none: any), up to this mass [kg] (none: all), until a day."""

    until: date
    formulations: tuple[str, ...] = field(default=())
    mass: Decimal | None = None


def propose_concession(record: Any, *, actor: User, password: str, reason: str, scope: Scope) -> Concession:
    """Sign a concession as the first of two; nothing changes until the second has signed. Called inside an act."""
    if not reason.strip():
        raise Invalid("Say why.", fields={"reason": ["A concession needs a reason."]})
    if scope.until < timezone.localdate():
        raise Invalid("The scope ends in the past.", fields={"until": ["Today or later is expected."]})
    standing = concession_of(record.record_kind, record.code)
    if standing is not None and not standing.granted:
        raise Conflict(f"A concession for {record.code} waits for its second signature.", code="concession-waits")
    concession = Concession(
        subject_kind=record.record_kind,
        subject_code=record.code,
        formulations=list(scope.formulations),
        mass=scope.mass,
        until=scope.until,
        reason=reason.strip(),
    )
    concession.first = _sign(concession, actor, password)
    concession.save()
    return concession


def approve_concession(concession: Concession, *, actor: User, password: str) -> tuple[Concession, Signature]:
    """Sign a concession as the second of two; another person than the first. Called inside an act."""
    fresh = locked(concession)
    if fresh.granted:
        raise Conflict("Both have signed already.", code="concession-granted")
    if fresh.first.signer_id == actor.pk:
        raise NotAllowed("One person cannot give both signatures.", code="same-person")
    fresh.second = signature = _sign(fresh, actor, password)
    fresh.save()
    note_change(fresh, {"concession": (None, fresh.scope)})
    return fresh, signature


def take_from_concession(concession: Concession, *, formulation: str, mass: Decimal) -> None:
    """Refuse a use outside the scope. `mass`: what would be used of it in all [kg], this use included."""
    problem = _outside(concession, formulation, mass)
    if problem:
        raise Conflict(
            f"{concession.subject_code} is accepted under a concession {concession.scope}; {problem}.",
            code="outside-concession",
        )


def _outside(concession: Concession, formulation: str, total: Decimal) -> str:
    if timezone.localdate() > concession.until:
        return "that day has passed"
    if concession.formulations and formulation not in concession.formulations:
        return f"{formulation or 'a batch without a formulation'} is not among them"
    if concession.mass is not None and total > concession.mass:
        return f"this would make {total.normalize():f} kg"
    return ""


def _sign(concession: Concession, actor: User, password: str) -> Signature:
    return sign(
        actor=actor,
        password=password,
        meaning=Meaning.RELEASED,
        subject=(concession.subject_kind, concession.subject_code),
        content={"code": concession.subject_code, "concession": concession.scope, "reason": concession.reason},
    )
