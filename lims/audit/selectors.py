"""Read the history."""

from __future__ import annotations

from django.db.models import QuerySet

from lims.audit.models import Entry


def history_of(kind: str, code: str) -> QuerySet[Entry]:
    """The entries about one record, newest first, with their actors."""
    return Entry.objects.filter(subject_kind=kind, subject_code=code).select_related("actor")


def entries() -> QuerySet[Entry]:
    """Every entry, newest first, with their actors."""
    return Entry.objects.select_related("actor")
