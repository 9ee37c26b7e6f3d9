"""Grant and withdraw authorizations for methods and rigs."""

from __future__ import annotations

from datetime import date
from typing import NotRequired, TypedDict, Unpack

from django.utils import timezone

from lims.accounts.acts import act, require_not_own_work
from lims.accounts.models import User
from lims.core.errors import Conflict, Invalid
from lims.core.machines import locked
from lims.files.models import StoredFile
from lims.rigs.models import Authorization, Method, MethodVersion, Rig


class Grounds(TypedDict):
    """What shows that a person can do it, and from when until when it holds."""

    evidence: str
    expires_on: date
    valid_from: NotRequired[date]
    evidence_file: NotRequired[StoredFile | None]


def _method_of(subject: Method | MethodVersion | Rig) -> Method | None:
    if isinstance(subject, MethodVersion):
        return subject.method
    return subject if isinstance(subject, Method) else None


@act("authorization.grant")
def grant_authorization(
    *, actor: User, person: User, subject: Method | MethodVersion | Rig, **facts: Unpack[Grounds]
) -> Authorization:
    """Say that a person may work by a method (or one version of it) or on a rig until a day; not to oneself."""
    require_not_own_work(actor, "authorization.grant", {person.pk})
    evidence, expires_on = facts["evidence"], facts["expires_on"]
    start = facts.get("valid_from") or timezone.localdate()
    if not evidence.strip():
        raise Invalid("Say what shows it.", fields={"evidence": ["Training, supervised runs, a proficiency result."]})
    if expires_on < start:
        raise Invalid("It ends before it begins.", fields={"expires_on": ["Must not be before the first day."]})
    made = Authorization(
        person=person,
        method=subject.method
        if isinstance(subject, MethodVersion)
        else subject
        if isinstance(subject, Method)
        else None,
        version_number=subject.number if isinstance(subject, MethodVersion) else None,
        rig=subject if isinstance(subject, Rig) else None,
        evidence=evidence.strip(),
        evidence_file=facts.get("evidence_file"),
        valid_from=start,
        expires_on=expires_on,
        granted_by=actor,
    )
    made.save()
    return made


@act("authorization.withdraw")
def withdraw_authorization(authorization: Authorization, *, actor: User, reason: str) -> Authorization:
    """Withdraw an authorization at once; it stays on record."""
    if not reason.strip():
        raise Invalid("Say why.", fields={"reason": ["Withdrawing needs a reason."]})
    fresh = locked(authorization)
    if fresh.withdrawn_at is not None:
        raise Conflict(f"It was withdrawn on {fresh.withdrawn_at:%Y-%m-%d}.", code="withdrawn-already")
    fresh.withdrawn_by, fresh.withdrawn_at, fresh.withdrawn_reason = actor, timezone.now(), reason.strip()
    fresh.save()
    return fresh
