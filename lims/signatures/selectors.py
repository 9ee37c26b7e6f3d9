"""Read signatures."""

from __future__ import annotations

from django.db.models import QuerySet

from lims.signatures.models import Signature


def signatures_of(kind: str, code: str) -> QuerySet[Signature]:
    """The signatures about one record, oldest first."""
    return Signature.objects.filter(subject_kind=kind, subject_code=code).order_by("id")
