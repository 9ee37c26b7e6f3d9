"""The recall list of a bad record: everything made of it, and who was told."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from datetime import datetime
from typing import TypedDict, Unpack

from django.db.models import QuerySet
from django.utils import timezone

from lims.accounts.acts import act, require
from lims.accounts.models import User
from lims.audit.recording import note_change
from lims.comparisons.models import Notification
from lims.comparisons.tracing import READ, Node, Trace, trace
from lims.core.errors import Invalid

WAYS = Notification.Way.choices
HEAD = ("part", "kind", "code", "what it is", "state", "told", "when", "how", "by", "what was said")


def recall(user: User, start: Node) -> Trace:
    """Everything made of a record, none left out."""
    return trace(user, start, "forward", most=None)


def told_of(user: User, kind: str, code: str) -> QuerySet[Notification]:
    """Who was told of what is wrong with a record, oldest first."""
    require(user, READ)
    rows = Notification.objects.filter(subject_kind=kind, subject_code=code)
    return rows.select_related("by").order_by("told_at", "id")


class Telling(TypedDict, total=False):
    """Who was told, when, how, what was said, and what it reached them by."""

    told: str
    way: str
    words: str
    about: str


@act("recall.tell")
def note_told(start: Node, *, actor: User, told_at: datetime, **said: Unpack[Telling]) -> Notification:
    """Keep who was told of what is wrong with a record: who, when, how, and what was said. It is never changed."""
    told, words, way = (str(said.get(name, "")).strip() for name in ("told", "words", "way"))
    problems: dict[str, list[str]] = {}
    if not told:
        problems["told"] = ["Say who was told: the person and the house."]
    if not words:
        problems["words"] = ["Say what they were told."]
    if way not in Notification.Way.values:
        problems["way"] = [f"One of: {', '.join(Notification.Way.values)}."]
    if told_at > timezone.now():
        problems["told_at"] = ["It has not been said yet: the time lies ahead."]
    if problems:
        raise Invalid("The record of who was told is not complete.", fields=problems)
    row = Notification(subject_kind=start.kind, subject_code=start.code, by=actor, told_at=told_at, way=way)
    row.told, row.words, row.about = told, words, said.get("about", "").strip()
    row.full_clean()
    row.save()
    note_change(row, {"told": (None, f"{row.told}, {row.get_way_display()}, {told_at.isoformat(timespec='minutes')}")})
    return row


def recall_lines(user: User, start: Node) -> Iterator[str]:
    """The recall list as lines of CSV (RFC 4180): the record, everything made of it, who was told."""
    yield _line(HEAD)
    yield _line(_row("recalled", start))
    for node in recall(user, start).nodes:
        yield _line(_row("reached", node))
    for row in told_of(user, start.kind, start.code):
        when = row.told_at.isoformat(timespec="minutes")
        way, by = str(row.get_way_display()), row.by.printed_name
        yield _line(("told", start.kind, start.code, row.about, "", row.told, when, way, by, row.words))


def _row(part: str, node: Node) -> tuple[str, ...]:
    return (part, node.kind, node.code, node.label, node.state, "", "", "", "", "")


def _line(cells: tuple[str, ...]) -> str:
    out = io.StringIO()
    csv.writer(out).writerow([_plain(cell) for cell in cells])
    return out.getvalue()


def _plain(cell: str) -> str:
    """A cell that a table program takes for text: one that begins like a formula is led by an apostrophe."""
    return f"'{cell}" if cell[:1] in ("=", "+", "-", "@", "\t", "\r") else cell
