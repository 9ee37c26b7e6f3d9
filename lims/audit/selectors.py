"""Read the history."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from typing import Any

from django.db.models import QuerySet
from django.utils.dateparse import parse_date

from lims.audit.models import Entry, Link
from lims.core.errors import Invalid


def history_of(kind: str, code: str) -> QuerySet[Entry]:
    """The entries about one record, newest first, with their actors."""
    return Entry.objects.filter(subject_kind=kind, subject_code=code).select_related("actor")


def entries() -> QuerySet[Entry]:
    """Every entry, newest first, with their actors."""
    return Entry.objects.select_related("actor")


def has_acted(user: Any) -> bool:
    """Whether a person has done anything yet, apart from caring for the own account."""
    return Entry.objects.filter(actor=user).exclude(act__startswith="account.").exists()


def entries_for(
    user: Any, *, person: str = "", act: str = "", code: str = "", since: str = "", until: str = ""
) -> QuerySet[Entry]:
    """The entries a person may read, narrowed; a right to own entries shows only those."""
    found = entries()
    if user.rule("history.read") == "own":
        found = found.filter(actor=user)
    narrowings = {
        "actor__username__iexact": person,
        "act__icontains": act,
        "subject_code__iexact": code,
        "at__date__gte": _day(since),
        "at__date__lte": _day(until),
    }
    return found.filter(**{name: value for name, value in narrowings.items() if value})


def _day(text: str) -> date | None:
    try:
        day = parse_date(text) if text else None
    except ValueError:
        day = None
    if text and day is None:
        raise Invalid(f"'{text}' is not a date; a date looks like 2026-11-25.", code="not-a-date")
    return day


def readable(found: Iterable[Entry], user: Any) -> list[Entry]:
    """The same entries as `user` may read them: a recipe's values only with the right to read recipes."""
    rows = list(found)
    if user.may("recipe.read"):
        for change in (change for entry in rows for change in entry.changes):
            change.pop("confidential", None)
    for change in (change for entry in rows for change in entry.changes if change.get("confidential")):
        change["old"] = change["new"] = None
    return rows


def newest() -> int:
    """The number of the newest entry; 0 where there is none."""
    return Entry.objects.order_by("-id").values_list("id", flat=True).first() or 0


def head() -> Link | None:
    """The last link of the chain."""
    return Link.objects.order_by("-position").first()
