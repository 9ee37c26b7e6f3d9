"""Write the history, seal it in a chain, and check the chain."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from django.db import connection, transaction

from lims.audit.models import Entry, Link
from lims.core.context import current_request_id

SEALING = 7_037_036  # key of the advisory lock: one sealer at a time
START = "0" * 64


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


def digest_of(entry: Entry, *, before: str) -> str:
    """SHA-256 over the link before and every field of the entry, in one canonical form."""
    content = {
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
    text = json.dumps(content, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return hashlib.sha256(f"{before}\n{text}".encode()).hexdigest()


@transaction.atomic
def seal() -> int:
    """Add every entry not yet in the chain, in the order of their ids; returns how many. Writers never wait for it."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_advisory_xact_lock(%s)", [SEALING])
    last = Link.objects.order_by("-position").first()
    position, before = (last.position, last.digest) if last else (0, START)
    links = []
    for entry in Entry.objects.filter(link__isnull=True).order_by("id").iterator():
        position, before = position + 1, digest_of(entry, before=before)
        links.append(Link(position=position, entry=entry, digest=before))
    Link.objects.bulk_create(links, batch_size=1000)
    return len(links)


@dataclass(frozen=True, slots=True)
class ChainCheck:
    """What a check of the chain found: how many links stand, and the first that does not."""

    links: int
    unsealed: int
    broken_at: int | None = None
    broken_entry: int | None = None
    message: str = "every link stands"

    @property
    def holds(self) -> bool:
        return self.broken_at is None


def verify() -> ChainCheck:
    """Walk the chain and name the first entry that was changed, removed or put in."""
    before, position = START, 0
    unsealed = Entry.objects.filter(link__isnull=True).count()
    for position, link in enumerate(_links(), start=1):
        problem = _problem(link, position=position, before=before)
        if problem:
            return ChainCheck(position - 1, unsealed, link.position, link.entry_id, problem)
        before = link.digest
    return ChainCheck(position, unsealed)


def _links() -> Iterable[Link]:
    return Link.objects.select_related("entry").order_by("position").iterator()


def _problem(link: Link, *, position: int, before: str) -> str:
    if link.position != position:
        return f"link {position} is missing"
    if link.entry is None:
        return f"history entry {link.entry_id} was removed"
    if digest_of(link.entry, before=before) != link.digest:
        return f"history entry {link.entry_id} was changed"
    return ""
