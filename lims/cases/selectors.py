"""Read holds and nonconformances."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from django.db.models import QuerySet
from django.utils import timezone

from lims.accounts.acts import require
from lims.accounts.models import User
from lims.cases.models import Concession, Hold, Nonconformance
from lims.cases.states import CHECKLIST, STANDING, NonconformanceState
from lims.core.errors import NotFound
from lims.core.finding import by_code

CAUSE_KINDS = Nonconformance.CauseKind.values
DISPOSITIONS = Nonconformance.Disposition.values


def standing_holds(kind: str, code: str) -> QuerySet[Hold]:
    """The holds that stand over one record."""
    return Hold.objects.filter(subject_kind=kind, subject_code=code, lifted_at=None).select_related("placed_by")


def held_codes(kind: str) -> set[str]:
    """The codes of all records of a kind that are on hold."""
    return set(Hold.objects.filter(subject_kind=kind, lifted_at=None).values_list("subject_code", flat=True))


def open_nonconformances(kind: str, code: str) -> QuerySet[Nonconformance]:
    """The nonconformances about one record that are not closed."""
    return Nonconformance.objects.filter(subject_kind=kind, subject_code=code, state__in=STANDING)


def nonconformances(*, state: str = "") -> QuerySet[Nonconformance]:
    """Nonconformances, newest first, narrowed by state."""
    rows = Nonconformance.objects.select_related("opened_by", "closed_by", "owner", "investigator").order_by("-id")
    if state == "standing":
        return rows.filter(state__in=STANDING)
    return rows.filter(state=state) if state in NonconformanceState.values else rows


def get_nonconformance_for(user: User, code: str) -> Nonconformance:
    """One nonconformance, for those who may read the laboratory's records."""
    require(user, "laboratory.read")
    return by_code(nonconformances(), code, "nonconformance")


def concession_of(kind: str, code: str) -> Concession | None:
    """The newest concession for one record, whether both have signed or not yet."""
    rows = Concession.objects.filter(subject_kind=kind, subject_code=code).select_related("first", "second")
    return rows.first()


def checklist_of(case: Nonconformance) -> list[dict[str, Any]]:
    """The items of a case's checklist with what was answered."""
    return [{"item": item, "words": words, **case.checklist.get(item, {})} for item, words in CHECKLIST.items()]


REPEATED_WITHIN = timedelta(days=365)


def same_cause(case: Nonconformance) -> QuerySet[Nonconformance]:
    """Other cases of the last year with the same kind of cause: a cause that comes back was not removed."""
    if not case.cause_kind or case.cause_kind == Nonconformance.CauseKind.UNKNOWN:
        return Nonconformance.objects.none()
    since = case.created_at - REPEATED_WITHIN
    rows = Nonconformance.objects.filter(
        cause_kind=case.cause_kind, created_at__gte=since, created_at__lte=timezone.now()
    )
    return rows.exclude(pk=case.pk).order_by("-id")


def nonconformances_about(kind: str, code: str) -> QuerySet[Nonconformance]:
    """Every nonconformance about one record, open or not, newest first."""
    return nonconformances().filter(subject_kind=kind, subject_code=code)


def holds_on(kind: str, code: str) -> QuerySet[Hold]:
    """Every hold over one record, standing or lifted, newest first."""
    rows = Hold.objects.filter(subject_kind=kind, subject_code=code)
    return rows.select_related("placed_by", "lifted_by", "nonconformance").order_by("-id")


def get_hold_on(kind: str, code: str, number: int) -> Hold:
    """One hold over a record by its number."""
    found = holds_on(kind, code).filter(pk=number).first()
    if found is None:
        raise NotFound(f"There is no hold {number} on {code}.")
    return found


def oldest_standing_hold(kind: str, code: str) -> Hold:
    """The hold that has stood longest over one record."""
    found = standing_holds(kind, code).order_by("id").first()
    if found is None:
        raise NotFound(f"No hold stands over {code}.")
    return found
