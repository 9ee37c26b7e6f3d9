"""Freeze what was shown: canonical JSON, its digest, a signature over it, one row that never changes.

The same for every kind of paper: reports of comparisons, certificates of lots and batches.
"""

from __future__ import annotations

import hashlib
import io
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, TypeVar

from django.utils import timezone

from lims.accounts.models import User
from lims.audit.recording import note_change
from lims.core.errors import Conflict, Invalid
from lims.core.machines import locked
from lims.core.papers import Signed
from lims.files.selectors import open_file
from lims.files.services import store_file
from lims.signatures.models import Issued, Meaning, Signature
from lims.signatures.services import canonical, sign, stands

P = TypeVar("P", bound=Issued)
BROKEN = "content differs from what was signed"


@dataclass(frozen=True, slots=True)
class Issuing:
    """One paper about to be issued: by whom, under which number, what it says, what changed since the issue before."""

    actor: User
    password: str
    number: str
    title: str
    content: dict[str, Any]
    author: User
    before: Issued | None = None
    changes: tuple[str, ...] = ()
    reason: str = ""
    links: Mapping[str, Any] = field(default_factory=dict)

    @property
    def issue(self) -> int:
        return self.before.issue + 1 if self.before else 1

    @property
    def code(self) -> str:
        return f"{self.number}/{self.issue}"


def issue_paper(model: type[P], issuing: Issuing, *, draw: Callable[[P], bytes]) -> P:
    """Freeze, sign, draw and keep one paper. Refuses a new issue of one withdrawn, or without its reason."""
    _refuse_odd(issuing)
    content = {**issuing.content, "code": issuing.code, "changes": list(issuing.changes), "reason": issuing.reason}
    text = canonical(content)
    paper = model(
        code=issuing.code,
        number=issuing.number,
        issue=issuing.issue,
        title=issuing.title,
        content=text,
        digest=hashlib.sha256(text.encode()).hexdigest(),
        changes=list(issuing.changes),
        reason=issuing.reason,
        author=issuing.author,
        supersedes=issuing.before,
        at=timezone.now(),
        **issuing.links,
    )
    signed = {"paper": paper.code, "title": paper.title, "digest": paper.digest, "changes": paper.changes}
    paper.signature = sign(
        actor=issuing.actor,
        password=issuing.password,
        meaning=Meaning.APPROVED,
        subject=(paper.record_kind, paper.code),
        content=signed,
    )
    name = f"{paper.code.replace('/', '-')}.pdf"
    paper.paper = store_file(io.BytesIO(draw(paper)), name=name, media_type="application/pdf", by=issuing.actor)
    paper.full_clean()
    paper.save(force_insert=True)
    note_change(paper, {"digest": (None, paper.digest)})
    return paper


def _refuse_odd(issuing: Issuing) -> None:
    before = issuing.before
    if before is None:
        return
    if withdrawal_of(before):
        raise Conflict(f"{before.code} is withdrawn; it has no further issue.", code="withdrawn")
    if not issuing.reason.strip():
        raise Invalid("Say why there is a new issue.", fields={"reason": [f"It takes the place of {before.code}."]})


def withdraw_paper(paper: P, *, actor: User, password: str, reason: str) -> P:
    """Withdraw a paper by a further signature: it stays readable, marked everywhere."""
    if not reason.strip():
        raise Invalid("Say why.", fields={"reason": ["A withdrawal needs a reason."]})
    fresh = locked(paper)
    if withdrawal_of(fresh):
        raise Conflict(f"{fresh.code} is withdrawn already.", code="withdrawn")
    before = fresh.state
    content = {"paper": fresh.code, "digest": fresh.digest, "reason": reason.strip()}
    subject = (fresh.record_kind, fresh.code)
    sign(actor=actor, password=password, meaning=Meaning.WITHDRAWN, subject=subject, content=content)
    note_change(fresh, {"state": (before, "withdrawn")})
    return fresh


def content_of(paper: Issued) -> dict[str, Any]:
    """What was shown."""
    content: dict[str, Any] = json.loads(paper.content)
    return content


def signatures_on(paper: Issued) -> list[Signature]:
    """Every signature about a paper, oldest first."""
    return list(Signature.objects.filter(subject_kind=paper.record_kind, subject_code=paper.code).order_by("id"))


def withdrawal_of(paper: Issued) -> Signature | None:
    """The signature that withdrew a paper; None where it stands."""
    rows = Signature.objects.filter(subject_kind=paper.record_kind, subject_code=paper.code)
    return rows.filter(meaning=Meaning.WITHDRAWN).first()


def listed(papers: Sequence[Issued]) -> list[dict[str, Any]]:
    """Papers of one kind as a list shows them: state and whether they are broken, by one query for all.

    The papers come with `superseded_by` and `signature` fetched; their files are looked at on their own pages.
    """
    codes = [paper.code for paper in papers]
    kind = papers[0].record_kind if papers else ""
    withdrawn = Signature.objects.filter(subject_kind=kind, subject_code__in=codes, meaning=Meaning.WITHDRAWN)
    gone = set(withdrawn.values_list("subject_code", flat=True))
    return [
        {
            "paper": paper,
            "state": "withdrawn" if paper.code in gone else "superseded" if _replaced(paper) else "issued",
            "broken": bool(_content_problems(paper)) or not stands(paper.signature),
        }
        for paper in papers
    ]


def _replaced(paper: Issued) -> bool:
    return getattr(paper, "superseded_by", None) is not None


def _content_problems(paper: Issued) -> list[str]:
    found = []
    if hashlib.sha256(paper.content.encode()).hexdigest() != paper.digest:
        found.append(f"{BROKEN}: the digest of the content is another one.")
    if paper.signature.content.get("digest") != paper.digest:
        found.append(f"{BROKEN}: the signature names another digest.")
    return found


def verify(paper: Issued) -> list[str]:
    """What is broken about a paper, in sentences; empty where what stands is what was signed."""
    found = _content_problems(paper)
    for signature in signatures_on(paper):
        if not stands(signature):
            found.append(f"{BROKEN}: the signature of {signature.printed_name} itself was changed.")
    return [one[:1].upper() + one[1:] for one in found] + _file_problems(paper)


def _file_problems(paper: Issued) -> list[str]:
    digest = hashlib.sha256()
    try:
        with open_file(paper.paper) as stored:
            for chunk in iter(lambda: stored.read(1 << 20), b""):
                digest.update(chunk)
    except Exception:  # noqa: BLE001  # whatever the storage answers, the paper is not there
        return ["The file of the paper as it was issued is not in the storage."]
    return [] if digest.hexdigest() == paper.paper.sha256 else ["The file of the paper as it was issued was changed."]


def signed_lines(paper: Issued) -> tuple[Signed, ...]:
    """The signatures as a paper and a page show them: who, meaning, UTC and local time, digest, whether it stands."""
    rows = signatures_on(paper) or [paper.signature]
    return tuple(signed_line(row) for row in rows)


def signed_line(row: Signature) -> Signed:
    """One signature as it is shown."""
    return Signed(row.printed_name, row.get_meaning_display(), row.at, row.zone, row.digest, stands(row))
