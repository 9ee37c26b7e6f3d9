"""Write the history, seal it in a chain, and check the chain."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from django.conf import settings
from django.db import connection, transaction

from lims.audit.models import Entry, Link
from lims.audit.verifier import START, Finding, LinkRow, digest_of, read_heads, walk
from lims.core.context import current_request_id
from lims.core.errors import Invalid

SEALING = 7_037_036  # key of the advisory lock: one sealer at a time


def record(
    *,
    actor: Any,
    act: str,
    subject: tuple[str, str],
    changes: Sequence[dict[str, Any]] = (),
    reason: str = "",
    refused: bool = False,
) -> Entry:
    """Append one entry; `subject` is (kind, code)."""
    return Entry.objects.create(
        actor=actor,
        act=act,
        subject_kind=subject[0],
        subject_code=subject[1],
        changes=list(changes),
        reason=reason,
        request_id=current_request_id(),
        refused=refused,
    )


def content_of(entry: Entry) -> dict[str, Any]:
    """What a link seals: every field of the entry."""
    return {
        "id": entry.pk,
        "at": entry.at.isoformat(),
        "actor": entry.actor_id,
        "act": entry.act,
        "subject": [entry.subject_kind, entry.subject_code],
        "changes": entry.changes,
        "reason": entry.reason,
        "request": entry.request_id,
        "refused": entry.refused,
    }


def seal() -> int:
    """Add every entry not yet in the chain, in the order of their ids; returns how many. Writers never wait for it.

    The new head is also written outside the database, so that an older state put back is found.
    """
    links = _seal()
    if links and settings.HISTORY_HEADS_FILE:
        last = links[-1]
        with Path(settings.HISTORY_HEADS_FILE).open("a") as heads:
            heads.write(f"{last.position} {last.digest} {last.sealed_at.isoformat()}\n")
    return len(links)


@transaction.atomic
def _seal() -> list[Link]:
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_advisory_xact_lock(%s)", [SEALING])
    last = Link.objects.order_by("-position").first()
    position, before = (last.position, last.digest) if last else (0, START)
    links = []
    for entry in Entry.objects.filter(link__isnull=True).order_by("id").iterator():
        position, before = position + 1, digest_of(content_of(entry), before=before)
        links.append(Link(position=position, entry=entry, digest=before))
    return Link.objects.bulk_create(links, batch_size=1000)


def kept_heads() -> str:
    """The heads of the chain kept outside the database, one a line."""
    path = settings.HISTORY_HEADS_FILE
    return Path(path).read_text() if path and Path(path).exists() else ""


@dataclass(frozen=True)
class ChainCheck(Finding):
    """What a check of the chain found, and how many entries are not in it yet."""

    unsealed: int = 0


def verify() -> ChainCheck:
    """Walk the chain and name the first entry that was changed, removed or put in."""
    unsealed = Entry.objects.filter(link__isnull=True).count()
    found = walk(_links(), heads=read_heads(kept_heads()))
    return ChainCheck(**vars(found), unsealed=unsealed)


def _links() -> Iterable[LinkRow]:
    for link in Link.objects.select_related("entry").order_by("position").iterator():
        content = content_of(link.entry) if link.entry is not None else None
        yield link.position, link.entry_id, link.digest, content


REVIEW = ("history", "review")


def review(*, actor: Any, upto: int) -> Entry:
    """Keep that a person read the history up to an entry; the marker only moves on."""
    before = reviewed_upto()
    if upto <= before or not Entry.objects.filter(pk=upto).exists():
        raise Invalid(f"The history was read up to entry {before}; name a later one.", code="not-later")
    change = {"kind": REVIEW[0], "code": REVIEW[1], "field": "read up to", "old": before, "new": upto}
    return record(actor=actor, act="history.review", subject=REVIEW, changes=[change])


def reviewed_upto() -> int:
    """The last entry that somebody has read in review; 0 where none was."""
    last = last_review()
    return int(last.changes[0]["new"]) if last else 0


def last_review() -> Entry | None:
    """The last review of the history."""
    return Entry.objects.filter(subject_kind=REVIEW[0], subject_code=REVIEW[1]).select_related("actor").first()
