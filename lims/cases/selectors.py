"""Read holds and nonconformances."""

from __future__ import annotations

from django.db.models import QuerySet

from lims.cases.models import Hold, Nonconformance
from lims.cases.states import NonconformanceState


def standing_holds(kind: str, code: str) -> QuerySet[Hold]:
    """The holds that stand over one record."""
    return Hold.objects.filter(subject_kind=kind, subject_code=code, lifted_at=None).select_related("placed_by")


def held_codes(kind: str) -> set[str]:
    """The codes of all records of a kind that are on hold."""
    return set(Hold.objects.filter(subject_kind=kind, lifted_at=None).values_list("subject_code", flat=True))


def open_nonconformances(kind: str, code: str) -> QuerySet[Nonconformance]:
    """The nonconformances about one record that are not closed."""
    return Nonconformance.objects.filter(subject_kind=kind, subject_code=code, state=NonconformanceState.OPEN)
