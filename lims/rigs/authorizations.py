"""Who may work by which method and on which rig, and until when. Expired is derived when read."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import date

from django.db.models import Q, QuerySet
from django.utils import timezone

from lims.accounts.acts import require
from lims.accounts.models import User
from lims.core.errors import NotAllowed, NotFound
from lims.rigs.models import Authorization, MethodVersion, NeedsAuthorization, Rig


def authorizations_for(user: User) -> QuerySet[Authorization]:
    """Every authorization, of each person the newest first."""
    require(user, "laboratory.read")
    return Authorization.objects.select_related(
        "person", "method", "rig", "granted_by", "withdrawn_by", "evidence_file"
    )


def get_authorization_for(user: User, pk: int) -> Authorization:
    """One authorization."""
    found = authorizations_for(user).filter(pk=pk).first()
    if found is None:
        raise NotFound(f"There is no authorization {pk}.")
    return found


def standing(on: date) -> QuerySet[Authorization]:
    """The authorizations that hold on a day."""
    return Authorization.objects.filter(withdrawn_at__isnull=True, valid_from__lte=on, expires_on__gte=on)


def refuse_unauthorized(person: User, *, version: MethodVersion, rig: Rig) -> None:
    """Refuse (403) a person who lacks a current authorization where the method version or the rig asks for one."""
    today = timezone.localdate()
    if version.authorization != NeedsAuthorization.NOBODY:
        wanted = Q(method=version.method_id, version_number=version.number)
        if version.authorization == NeedsAuthorization.METHOD:
            wanted = Q(method=version.method_id) & (Q(version_number__isnull=True) | Q(version_number=version.number))
        _refuse(person, wanted, version.code, today)
    if rig.needs_authorization:
        _refuse(person, Q(rig=rig), rig.code, today)


def _refuse(person: User, wanted: Q, what: str, today: date) -> None:
    if standing(today).filter(wanted, person=person).exists():
        return
    last = Authorization.objects.filter(wanted, person=person).order_by("-expires_on").first()
    if last is None:
        why = "has no authorization"
    elif last.withdrawn_at is not None:
        why = "had an authorization that was withdrawn"
    else:
        why = f"had an authorization until {last.expires_on}"
    raise NotAllowed(
        f"{person.printed_name} {why} for {what}.",
        code="not-authorized-for-method",
        next_step="Quality grants it, with evidence and an expiry.",
        subject=what,
    )


@dataclass(frozen=True, slots=True)
class Coverage:
    """One person's row of the table: for each subject the authorization that ends last, or none."""

    person: User
    cells: list[Authorization | None]


def coverage() -> tuple[list[str], list[Coverage]]:
    """Who is covered for what today: the subjects, and a row for each person who ever had an authorization."""
    rows = Authorization.objects.filter(withdrawn_at__isnull=True).select_related("person", "method", "rig")
    best: dict[int, dict[str, Authorization]] = defaultdict(dict)
    people: dict[int, User] = {}
    for row in rows.order_by("expires_on"):
        people[row.person_id] = row.person
        best[row.person_id][row.subject] = row
    subjects = sorted({subject for cells in best.values() for subject in cells})
    ordered = sorted(people.values(), key=lambda person: person.printed_name)
    return subjects, [Coverage(person, [best[person.pk].get(subject) for subject in subjects]) for person in ordered]
